//go:build unix

package terminal

import (
	"errors"
	"os"
	"syscall"
	"time"

	"golang.org/x/term"
)

// Ask asks the terminal of this process for its background and waits for the
// answer. late tells that it may still come: what it then types must not be
// taken for keys.
func Ask(wait time.Duration) (b Background, late bool) {
	tty, err := os.OpenFile("/dev/tty", os.O_RDWR|syscall.O_NONBLOCK|syscall.O_NOCTTY, 0)
	if err != nil {
		return Unknown, false
	}
	defer tty.Close()
	return ask(tty, wait)
}

func ask(tty *os.File, wait time.Duration) (b Background, late bool) {
	// Without a deadline a silent terminal would be waited for forever.
	if err := tty.SetDeadline(time.Now().Add(wait)); err != nil {
		return Unknown, false
	}
	restore, err := raw(tty)
	if err != nil {
		return Unknown, false
	}
	defer restore()
	if _, err := tty.WriteString(question); err != nil {
		return Unknown, errors.Is(err, os.ErrDeadlineExceeded)
	}
	answer := make([]byte, 0, 256)
	for len(answer) < cap(answer) {
		n, err := tty.Read(answer[len(answer):cap(answer)])
		answer = answer[:len(answer)+n]
		b, done := parseAnswer(string(answer))
		if done {
			return b, false
		}
		if err != nil {
			return b, true
		}
	}
	return Unknown, true
}

// raw takes echo and line editing away, so that the answer is not shown. The
// descriptor stays with its file: Fd would take the deadline from it.
func raw(tty *os.File) (restore func(), err error) {
	conn, err := tty.SyscallConn()
	if err != nil {
		return nil, err
	}
	var was *term.State
	var rawErr error
	if err := conn.Control(func(fd uintptr) { was, rawErr = term.MakeRaw(int(fd)) }); err != nil {
		return nil, err
	}
	if rawErr != nil {
		return nil, rawErr
	}
	return func() {
		_ = conn.Control(func(fd uintptr) { _ = term.Restore(int(fd), was) })
	}, nil
}
