//go:build linux

package terminal

import (
	"io"
	"os"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// ends opens a pseudo-terminal: the end of the terminal, and that of the program.
func ends(t *testing.T) (far, near *os.File) {
	t.Helper()
	far, near, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	t.Cleanup(func() { far.Close(); near.Close() })
	return far, near
}

// state returns what stty would say of a terminal.
func state(t *testing.T, f *os.File) *term.State {
	t.Helper()
	conn, err := f.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var s *term.State
	if err := conn.Control(func(fd uintptr) { s, err = term.GetState(int(fd)) }); err != nil {
		t.Fatal(err)
	}
	return s
}

func TestAsk(t *testing.T) {
	for name, c := range map[string]struct {
		answer []string // in pieces
		want   Background
		late   bool
	}{
		"light":  {[]string{"\x1b]11;rgb:ffff/ff", "ff/e0e0\x1b\\", "\x1b[?62c"}, Light, false},
		"dark":   {[]string{"\x1b]11;rgb:0/0/0\a\x1b[?6c"}, Dark, false},
		"old":    {[]string{"\x1b[?6c"}, Unknown, false},
		"silent": {nil, Unknown, true},
		"half":   {[]string{"\x1b]11;rgb:0/0/0\a"}, Dark, true},
	} {
		t.Run(name, func(t *testing.T) {
			far, near := ends(t)
			before := state(t, near)
			go func() {
				asked := make([]byte, len(question))
				if _, err := io.ReadFull(far, asked); err != nil || string(asked) != question {
					t.Errorf("asked %q, %v", asked, err)
				}
				for _, piece := range c.answer {
					far.WriteString(piece)
					time.Sleep(5 * time.Millisecond)
				}
			}()
			got, late := ask(near, 300*time.Millisecond)
			if got != c.want || late != c.late {
				t.Errorf("%d, late %v; want %d, %v", got, late, c.want, c.late)
			}
			if after := state(t, near); *after != *before {
				t.Error("the terminal is not as it was")
			}
		})
	}
}
