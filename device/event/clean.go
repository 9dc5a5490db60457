package event

import "unicode"

// MaxCleanRunes bounds what Clean returns.
const MaxCleanRunes = 200

// Clean makes text from outside safe to show on one line of a terminal. Control
// characters (so every escape sequence), bidirectional overrides, private-use
// and unassigned characters and bytes that are not UTF-8 become '\uFFFD'; every
// kind of space becomes ' '; variation selectors and the third and later
// combining marks on one letter go. Beyond MaxCleanRunes the text ends in '…'.
func Clean(text string) string {
	var out []rune
	marks := 0
	for _, r := range text {
		switch {
		case unicode.Is(unicode.Variation_Selector, r):
			continue
		case unicode.Is(unicode.M, r):
			if marks++; marks > 2 {
				continue
			}
		case unicode.IsSpace(r):
			r, marks = ' ', 0
		case !unicode.IsPrint(r):
			r, marks = unicode.ReplacementChar, 0
		default:
			marks = 0
		}
		if len(out) == MaxCleanRunes {
			out[MaxCleanRunes-1] = '…'
			break
		}
		out = append(out, r)
	}
	return string(out)
}
