package codec

import (
	"fmt"
	"strconv"
)

// MaxCommandBytes bounds a command sent to an instrument.
const MaxCommandBytes = 256

// Command reads the text of a command for an instrument, in which \r, \n, \t, \\
// and \x with two hex digits stand for bytes.
func Command(text string) ([]byte, error) {
	var out []byte
	for i := 0; i < len(text); i++ {
		c := text[i]
		if c == '\\' {
			escape := text[i+1:]
			size := 1
			switch {
			case escape == "":
				size = 0
			case escape[0] == 'r':
				c = '\r'
			case escape[0] == 'n':
				c = '\n'
			case escape[0] == 't':
				c = '\t'
			case escape[0] == '\\':
			case escape[0] == 'x' && len(escape) >= 3:
				v, err := strconv.ParseUint(escape[1:3], 16, 8)
				if err != nil {
					size = 0
				}
				c, size = byte(v), size*3
			default:
				size = 0
			}
			if size == 0 {
				return nil, fmt.Errorf("found %s behind a backslash: \\r, \\n, \\t, \\\\ and \\x with two hex digits are allowed", quote([]byte(escape)))
			}
			i += size
		}
		out = append(out, c)
	}
	if len(out) == 0 || len(out) > MaxCommandBytes {
		return nil, fmt.Errorf("found a command of %d bytes: 1 to %d are allowed", len(out), MaxCommandBytes)
	}
	return out, nil
}
