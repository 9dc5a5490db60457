package terminal

import (
	"encoding/base64"
	"errors"
	"strings"
	"testing"
)

func environment(pairs ...string) func(string) string {
	return func(name string) string {
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == name {
				return pairs[i+1]
			}
		}
		return ""
	}
}

func TestFromEnvironment(t *testing.T) {
	for value, want := range map[string]Background{
		"": Unknown, "15;0": Dark, "0;15": Light, "0;default;15": Light, "12;8": Dark, "0;7": Light,
		"7": Unknown, "0;16": Unknown, "0;x": Unknown, "0;-1": Unknown,
	} {
		if got := FromEnvironment(environment("COLORFGBG", value)); got != want {
			t.Errorf("%q is %d, want %d", value, got, want)
		}
	}
}

// Answers in the forms that the xterm control sequences allow.
func TestParseAnswer(t *testing.T) {
	for answer, want := range map[string]struct {
		b    Background
		done bool
	}{
		"\x1b]11;rgb:0000/0000/0000\x1b\\\x1b[?62;22c": {Dark, true},
		"\x1b]11;rgb:ffff/ffff/ffff\a\x1b[?1;2c":       {Light, true},
		"\x1b]11;rgb:ff/ff/f0\x1b\\":                   {Light, false},
		"\x1b]11;rgb:1c1c/1c1c/1c1c\x1b\\":             {Dark, false},
		"\x1b]11;rgb:0/f/0\a":                          {Light, false}, // green is bright
		"\x1b]11;rgb:0/0/f\a":                          {Dark, false},  // blue is not
		"\x1b[?6c":                                     {Unknown, true},
		"\x1b]11;rgb:ffff/ffff":                        {Unknown, false},
		"\x1b]11;rgb:fffff/0/0\a":                      {Unknown, false},
		"\x1b]11;rgb:zz/0/0\a":                         {Unknown, false},
		"":                                             {Unknown, false},
	} {
		if b, done := parseAnswer(answer); b != want.b || done != want.done {
			t.Errorf("%q is %d, %v; want %d, %v", answer, b, done, want.b, want.done)
		}
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("gone") }

func TestCopy(t *testing.T) {
	var out strings.Builder
	said := Copy(&out, environment("TERM", "xterm-256color"), "2.104 µm\x1b[2J")
	// OSC 52 of the xterm control sequences: "c" names the clipboard, the text is base64.
	want := "\x1b]52;c;" + base64.StdEncoding.EncodeToString([]byte("2.104 µm\x1b[2J")) + "\a"
	if out.String() != want || !strings.Contains(said, "never confirms") {
		t.Errorf("%q, %q", out.String(), said)
	}
	for name, c := range map[string]struct {
		env  func(string) string
		text string
		says string
		sent bool
	}{
		"console":  {environment("TERM", "linux"), "x", "no clipboard", false},
		"no TERM":  {environment(), "x", "no clipboard", false},
		"too much": {environment("TERM", "xterm"), strings.Repeat("x", clipboardLimit+1), "too much", false},
		"tmux":     {environment("TERM", "tmux-256color", "TMUX", "/tmp/x,1,0"), "x", "set-clipboard on", true},
		"screen":   {environment("TERM", "screen"), "x", "multiplexer", true},
	} {
		out.Reset()
		if said := Copy(&out, c.env, c.text); !strings.Contains(said, c.says) || (out.Len() > 0) != c.sent {
			t.Errorf("%s: %q, sent %q", name, said, out.String())
		}
	}
	if said := Copy(broken{}, environment("TERM", "xterm"), "x"); !strings.Contains(said, "not copied: gone") {
		t.Error(said)
	}
}
