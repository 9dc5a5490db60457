package table

import "strings"

// splitter cuts lines at one separator.
type splitter struct {
	separator Separator
	fields    []string
}

// fieldsOf cuts a line. The result is valid until the next call. Fields lose the blanks
// and quotes around them.
func (s *splitter) fieldsOf(line string) []string {
	s.fields = s.fields[:0]
	switch s.separator {
	case Blank:
		s.blanks(line)
	case CommaBlank:
		line = strings.TrimRight(strings.ReplaceAll(line, ",\t", ", "), ", \t")
		for _, f := range strings.Split(line, ", ") {
			s.fields = append(s.fields, trim(f))
		}
	default:
		s.at(line, map[Separator]byte{Tab: '\t', Semicolon: ';', Comma: ',', Pipe: '|'}[s.separator])
	}
	return s.fields
}

func (s *splitter) at(line string, sep byte) {
	if strings.IndexByte(line, '"') < 0 {
		for {
			i := strings.IndexByte(line, sep)
			if i < 0 {
				break
			}
			s.fields = append(s.fields, trim(line[:i]))
			line = line[i+1:]
		}
		s.fields = append(s.fields, trim(line))
		return
	}
	from, quoted := 0, false
	for i := 0; i < len(line); i++ {
		switch {
		case line[i] == '"':
			quoted = !quoted
		case line[i] == sep && !quoted:
			s.fields = append(s.fields, trim(line[from:i]))
			from = i + 1
		}
	}
	s.fields = append(s.fields, trim(line[from:]))
}

func (s *splitter) blanks(line string) {
	from, quoted := -1, false
	for i := 0; i < len(line); i++ {
		c := line[i]
		if c == '"' {
			quoted = !quoted
		}
		blank := (c == ' ' || c == '\t') && !quoted
		switch {
		case blank && from >= 0:
			s.fields = append(s.fields, trim(line[from:i]))
			from = -1
		case !blank && from < 0:
			from = i
		}
	}
	if from >= 0 {
		s.fields = append(s.fields, trim(line[from:]))
	}
}

// trim takes blanks and one pair of quotes off.
func trim(field string) string {
	field = strings.Trim(field, " \t\u00a0")
	if n := len(field); n >= 2 && field[0] == '"' && field[n-1] == '"' {
		field = strings.Trim(strings.ReplaceAll(field[1:n-1], `""`, `"`), " \t\u00a0")
	}
	return field
}
