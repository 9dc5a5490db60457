package table

import (
	"fmt"
	"strings"
)

// maxLineBytes bounds a line: a row of the most pixels, 64 bytes each.
const maxLineBytes = 4 << 20

// cutLines cuts text at "\n", "\r\n" and "\r", mixed as they come. The n-th line of the
// text is element n-1.
func cutLines(text string) ([]string, error) {
	var out []string
	for text != "" {
		i := strings.IndexAny(text, "\r\n")
		end := i
		if i < 0 {
			i, end = len(text), len(text)-1
		} else if text[i] == '\r' && i+1 < len(text) && text[i+1] == '\n' {
			end++
		}
		if i > maxLineBytes {
			return nil, lineErrorf(len(out)+1, "found %d bytes: at most %d are allowed", i, maxLineBytes)
		}
		out = append(out, text[:i])
		text = text[end+1:]
	}
	return out, nil
}

// errTooMany says that a text holds more than is read.
func errTooMany(what string, most int) error { return fmt.Errorf("found more than %d %s", most, what) }

// remarks are notes of which only the first are kept in words.
type remarks struct {
	notes []string
	more  int
}

func (r *remarks) addf(format string, args ...any) {
	const most = 10
	if len(r.notes) == most {
		r.more++
		return
	}
	r.notes = append(r.notes, fmt.Sprintf(format, args...))
}

func (r *remarks) list() []string {
	if r.more == 0 {
		return r.notes
	}
	return append(r.notes[:len(r.notes):len(r.notes)], fmt.Sprintf("and %d more of this kind", r.more))
}
