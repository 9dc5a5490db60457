package export

import (
	"fmt"
	"slices"
	"strings"
)

func parse[T ~string](name string, allowed []T) (T, error) {
	if name == "" {
		return "", nil
	}
	for _, a := range allowed {
		if strings.EqualFold(name, string(a)) {
			return a, nil
		}
	}
	return "", fmt.Errorf("found %q: %s is allowed", name, orList(allowed))
}

// orList joins words: "a, b or c".
func orList[T ~string](words []T) string {
	var out strings.Builder
	for i, w := range words {
		switch {
		case i > 0 && i == len(words)-1:
			out.WriteString(" or ")
		case i > 0:
			out.WriteString(", ")
		}
		out.WriteString(string(w))
	}
	return out.String()
}

// short bounds a piece of a file.
func short(text string) string {
	const most = 60
	text = strings.TrimSpace(text)
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}

// uniq returns the different strings in the order in which they come.
func uniq(list []string) []string {
	var out []string
	for _, s := range list {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}
