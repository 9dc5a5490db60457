package event

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// member is one name and value of a JSON object; value shares the line's memory.
type member struct {
	name  string
	value []byte
}

// members lists the members of an object whose syntax json.Valid has already
// accepted. Unlike decoding into a map it copies no values and stops at limit.
// A name that occurs twice is refused: which of the two is meant, nobody knows.
func members(object []byte, limit int) ([]member, error) {
	object = bytes.TrimSpace(object)
	if len(object) == 0 || object[0] != '{' {
		return nil, fmt.Errorf("found %s, a JSON object is allowed", quote(object))
	}
	var list []member
	seen := map[string]bool{}
	rest := skipSpace(object[1:])
	for rest[0] != '}' {
		size := valueLen(rest)
		name, err := unquote(rest[:size])
		if err != nil {
			return nil, err
		}
		rest = skipSpace(rest[size:])
		rest = skipSpace(rest[1:]) // the colon
		size = valueLen(rest)
		value := rest[:size]
		rest = skipSpace(rest[size:])
		if rest[0] == ',' {
			rest = skipSpace(rest[1:])
		}
		if len(list) == limit {
			return nil, fmt.Errorf("found more than %d fields in one object", limit)
		}
		if seen[name] {
			return nil, fmt.Errorf("field %s occurs twice", quote([]byte(name)))
		}
		seen[name] = true
		list = append(list, member{name, value})
	}
	return list, nil
}

func unquote(text []byte) (string, error) {
	if bytes.IndexByte(text, '\\') < 0 {
		return string(text[1 : len(text)-1]), nil
	}
	var s string
	err := json.Unmarshal(text, &s)
	return s, err
}

func skipSpace(text []byte) []byte {
	return bytes.TrimLeft(text, " \t\r\n")
}

// valueLen returns the length of the JSON value at the start of text, which
// goes on behind it.
func valueLen(text []byte) int {
	depth := 0
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '"':
			for i++; text[i] != '"'; i++ {
				if text[i] == '\\' {
					i++
				}
			}
		case '{', '[':
			depth++
			continue
		case '}', ']':
			depth--
		default:
			if depth > 0 {
				continue
			}
			// A number or a word: up to what ends it.
			size := bytes.IndexAny(text[i:], ",}] \t\r\n")
			if size < 0 {
				return len(text)
			}
			return i + size
		}
		if depth == 0 {
			return i + 1
		}
	}
	return len(text)
}
