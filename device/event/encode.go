package event

import (
	"encoding/json"
	"fmt"
	"hash/crc32"
)

// crcSuffix is the length of a checksum behind an object: one space and eight
// hex digits.
const crcSuffix = 9

// Append appends the body as one JSON object with its type first, without a
// line end. NaN in counts and reflectance becomes null; elsewhere a number that
// is not finite is an error.
func Append(dst []byte, body Body) ([]byte, error) {
	fields, err := json.Marshal(body)
	if err != nil {
		return dst, fmt.Errorf("event %s: %w", body.kind(), err)
	}
	dst = append(dst, `{"type":"`...)
	dst = append(dst, body.kind()...)
	dst = append(dst, '"')
	if len(fields) > len("{}") {
		dst = append(dst, ',')
	}
	return append(dst, fields[1:]...), nil
}

// AppendCRC appends a line to dst and its checksum to the line: one space and
// CRC-32 (IEEE 802.3) of the line in eight hex digits. The line must have no
// line end.
func AppendCRC(dst, line []byte) []byte {
	dst = append(dst, line...)
	return fmt.Appendf(dst, " %08x", crc32.ChecksumIEEE(line))
}
