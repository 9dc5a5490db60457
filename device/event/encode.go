package event

import (
	"encoding/json"
	"fmt"
)

// Append appends the body as one JSON object with its type first, without a
// line end.
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
