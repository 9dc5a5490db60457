package export

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Text decodes the bytes of a file: UTF-8, UTF-16 with or without a byte-order mark, and
// Windows-1252, which Latin-1 is a part of. NUL bytes are dropped. notes says what was
// guessed; an error says that the bytes are no text.
func Text(data []byte) (text string, notes []string, err error) {
	if len(data) > MaxBytes {
		return "", nil, fmt.Errorf("found %d bytes: at most %d are allowed", len(data), MaxBytes)
	}
	if err := archive(data); err != nil {
		return "", nil, err
	}
	switch big, wide, marked := wideOrder(data); {
	case wide:
		text = fromUTF16(data, big)
		if !marked {
			notes = append(notes, "encoding taken for UTF-16, as every second byte says")
		}
	case utf8.Valid(data):
		text = string(data)
	default:
		text = fromWindows1252(data)
		notes = append(notes, "encoding taken for Windows-1252 (Latin-1): it is no UTF-8")
	}
	text = strings.TrimPrefix(text, "\ufeff")
	if n := strings.Count(text, "\x00"); n > 0 {
		text = strings.ReplaceAll(text, "\x00", "")
		notes = append(notes, fmt.Sprintf("%d NUL bytes were dropped", n))
	}
	text = strings.TrimRight(text, "\x1a")
	if strings.TrimSpace(text) == "" {
		return "", nil, errors.New("the file is empty")
	}
	if binary(text) {
		return "", nil, errors.New("found bytes that are no text: export as text (CSV) or JCAMP-DX")
	}
	return text, notes, nil
}

// archive refuses what is known to be no text by its first bytes.
func archive(data []byte) error {
	if bytes.HasPrefix(data, []byte(`{"type":`)) {
		return errors.New("found event lines: this file needs no import")
	}
	for _, magic := range []struct{ start, what string }{
		{"PK\x03\x04", "a zip archive or a spreadsheet"},
		{"\x1f\x8b", "gzip"},
		{"\xd0\xcf\x11\xe0", "a spreadsheet"},
		{"%PDF", "PDF"},
		{"\x89HDF", "HDF5"},
		{"\x89PNG", "a picture"},
	} {
		if bytes.HasPrefix(data, []byte(magic.start)) {
			return fmt.Errorf("found %s: unpack it, or export as text (CSV) or JCAMP-DX", magic.what)
		}
	}
	return nil
}

// wideOrder recognises UTF-16: by its mark, or by NUL in nearly every second byte.
func wideOrder(data []byte) (big, wide, marked bool) {
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}):
		return false, true, true
	case bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		return true, true, true
	}
	const look = 4096
	part := data[:min(len(data), look)&^1]
	even, odd := 0, 0
	for i, c := range part {
		switch {
		case c != 0:
		case i%2 == 0:
			even++
		default:
			odd++
		}
	}
	pairs := len(part) / 2
	switch {
	case pairs < 4:
		return false, false, false
	case 10*odd > 7*pairs && 10*even < pairs:
		return false, true, false
	case 10*even > 7*pairs && 10*odd < pairs:
		return true, true, false
	}
	return false, false, false
}

func fromUTF16(data []byte, big bool) string {
	var out strings.Builder
	out.Grow(len(data) / 2)
	var high rune
	for i := 0; i+1 < len(data); i += 2 {
		unit := rune(data[i]) | rune(data[i+1])<<8
		if big {
			unit = rune(data[i])<<8 | rune(data[i+1])
		}
		switch {
		case high != 0:
			out.WriteRune(utf16.DecodeRune(high, unit))
			high = 0
		case unit >= 0xd800 && unit < 0xdc00:
			high = unit
		default:
			out.WriteRune(unit)
		}
	}
	return out.String()
}

func fromWindows1252(data []byte) string {
	// 0x80 to 0x9f; the five that it leaves open are control characters.
	const high = "€\u0081‚ƒ„…†‡ˆ‰Š‹Œ\u008dŽ\u008f\u0090‘’“”•–—˜™š›œ\u009džŸ"
	table := []rune(high)
	var out strings.Builder
	out.Grow(len(data) + len(data)/8)
	for _, c := range data {
		if c >= 0x80 && c < 0xa0 {
			out.WriteRune(table[c-0x80])
		} else {
			out.WriteRune(rune(c))
		}
	}
	return out.String()
}

// binary reports text of which more than a hundredth is control characters.
func binary(text string) bool {
	control := 0
	for i := 0; i < len(text); i++ {
		if c := text[i]; c < ' ' && c != '\t' && c != '\n' && c != '\r' && c != '\f' && c != '\v' || c == 0x7f {
			control++
		}
	}
	return 100*control > len(text)
}
