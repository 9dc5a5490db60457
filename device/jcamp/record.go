package jcamp

import "strings"

// record is one labelled data record: ##LABEL=value, and the lines that follow.
type record struct {
	label string // canonical
	line  int
	value string // behind the "=", comments off
	data  []dataLine
}

type dataLine struct {
	line int
	text string
}

// canonical makes labels comparable: neither case nor blanks, dashes, slashes and
// underscores count (section 5.1).
func canonical(label string) string {
	return strings.Map(func(r rune) rune {
		switch r {
		case ' ', '\t', '-', '/', '_':
			return -1
		}
		return r
	}, strings.ToUpper(label))
}

// Sniff reports whether a text looks like JCAMP-DX.
func Sniff(text string) bool {
	const look = 50
	for range look {
		line, rest, more := cutLine(text)
		if label, _, ok := splitLabel(line); ok && (label == "TITLE" || label == "JCAMPDX") {
			return true
		}
		if !more {
			return false
		}
		text = rest
	}
	return false
}

// cutLine cuts at "\n", "\r\n" or "\r".
func cutLine(text string) (line, rest string, more bool) {
	i := strings.IndexAny(text, "\r\n")
	if i < 0 {
		return text, "", false
	}
	end := i + 1
	if text[i] == '\r' && end < len(text) && text[end] == '\n' {
		end++
	}
	return text[:i], text[end:], true
}

func splitLabel(line string) (label, value string, ok bool) {
	line = strings.TrimLeft(line, " \t\ufeff")
	rest, ok := strings.CutPrefix(line, "##")
	if !ok {
		return "", "", false
	}
	label, value, _ = strings.Cut(rest, "=") // "##END" is seen without
	return canonical(label), value, true
}

// maxLineBytes bounds a line; the standard asks for 80.
const maxLineBytes = 4 << 20

// records cuts a text into records. Text before the first label is dropped.
func records(text string) ([]record, error) {
	var out []record
	for n, more := 1, true; more; n++ {
		var line string
		if line, text, more = cutLine(text); len(line) > maxLineBytes {
			return nil, errorf(n, "found %d bytes: at most %d are allowed", len(line), maxLineBytes)
		}
		label, value, ok := splitLabel(line)
		if ok {
			out = append(out, record{label: label, line: n, value: uncomment(value)})
			continue
		}
		if len(out) == 0 {
			continue
		}
		if line = uncomment(line); line != "" {
			last := &out[len(out)-1]
			last.data = append(last.data, dataLine{n, line})
		}
	}
	return out, nil
}

// uncomment takes off "$$" and what follows, and blanks around.
func uncomment(line string) string {
	line, _, _ = strings.Cut(line, "$$")
	return strings.TrimSpace(line)
}
