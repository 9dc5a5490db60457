//go:build linux || darwin

package device

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/term"

	"bluefringe/device/event"
)

// openPTY gives the two ends of a serial line: the instrument's, and the name
// of the port.
func openPTY(t *testing.T) (instrument *os.File, port string) {
	t.Helper()
	instrument, tty, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo terminal here: %v", err)
	}
	t.Cleanup(func() { instrument.Close(); tty.Close() })
	if _, err := term.MakeRaw(int(tty.Fd())); err != nil {
		t.Fatal(err)
	}
	return instrument, tty.Name()
}

// A spectrum of 1024 pixels with a checksum, sent in odd pieces behind the rest
// of a line that began before the port was opened.
func TestSerial(t *testing.T) {
	instrument, port := openPTY(t)
	counts := make([]float64, 1024)
	for i := range counts {
		counts[i] = float64(20000 + i)
	}
	object, err := event.Append(nil, event.Spectrum{TimeS: 1, Channel: "vis", Counts: counts})
	if err != nil {
		t.Fatal(err)
	}
	spectrum := event.AppendCRC(nil, object)
	stream := slices.Concat([]byte("17,18,19]}\r\n"), spectrum, []byte("\r\n"), spectrum, []byte("\n"), []byte(note(3)+"\n"))

	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	got := newSink()
	done := start(ctx, Serial(SerialConfig{Port: port, Line: DefaultLine(115200)}), got.emit)
	for chunk := range slices.Chunk(stream, 701) {
		if _, err := instrument.Write(chunk); err != nil {
			t.Fatal(err)
		}
	}
	lines := got.await(t, 4)
	want := []string{"17,18,19]}\r", string(spectrum) + "\r", string(spectrum), note(3)}
	if !slices.Equal(lines, want) {
		t.Errorf("got %.60q", lines)
	}
	if _, err := event.Decode([]byte(lines[1])); err != nil {
		t.Error(err)
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

// Pulling the cable in the middle of a line: the whole lines are out, the torn
// one is told, and the error is not that of a cancelled run.
func TestSerialUnplugged(t *testing.T) {
	instrument, port := openPTY(t)
	got := newSink()
	done := start(context.Background(), Serial(SerialConfig{Port: port, Line: DefaultLine(9600)}), got.emit)
	if _, err := instrument.Write([]byte(note(0) + "\n" + `{"type":"no`)); err != nil {
		t.Fatal(err)
	}
	got.await(t, 1)
	instrument.Close()
	err := result(t, done)
	if !errors.Is(err, ErrUnplugged) || errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), port) {
		t.Errorf("got %v", err)
	}
	lines := got.all()
	if lines[0] != note(0) || len(lines) > 2 {
		t.Errorf("got %q", lines)
	}
	// The system may drop what was still in its buffer; what did arrive is told.
	if len(lines) == 2 && !strings.HasPrefix(lines[1], "!the last line is torn") {
		t.Errorf("got %q", lines)
	}
}

// Reading goes on over many read timeouts, and a silent port still lets ctx end.
func TestSerialSilent(t *testing.T) {
	_, port := openPTY(t)
	ctx, cancel := context.WithTimeout(context.Background(), 3*readTimeout)
	defer cancel()
	if err := Serial(SerialConfig{Port: port, Line: DefaultLine(9600)}).Run(ctx, newSink().emit); err != context.DeadlineExceeded {
		t.Errorf("got %v", err)
	}
}

func TestSerialEmitError(t *testing.T) {
	instrument, port := openPTY(t)
	stop := errors.New("stop")
	done := start(context.Background(), Serial(SerialConfig{Port: port, Line: DefaultLine(9600)}), func(Line) error { return stop })
	if _, err := instrument.Write([]byte("x\n")); err != nil {
		t.Fatal(err)
	}
	if err := result(t, done); err != stop {
		t.Errorf("got %v", err)
	}
}

func TestSerialCannotOpen(t *testing.T) {
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, port := openPTY(t)
	with := func(change func(*LineConfig)) LineConfig {
		line := DefaultLine(9600)
		change(&line)
		return line
	}
	tests := []struct {
		port string
		line LineConfig
		says string
	}{
		{filepath.Join(t.TempDir(), "ttyUSB9"), DefaultLine(9600), "no such port"},
		{plain, DefaultLine(9600), "not a serial port"},
		{port, DefaultLine(0), "above 0"},
		{port, with(func(l *LineConfig) { l.DataBits = 9 }), "5 to 8"},
		{port, with(func(l *LineConfig) { l.Parity = "both" }), "none, odd, even, mark, space"},
		{port, with(func(l *LineConfig) { l.StopBits = 0 }), "1, 1.5 or 2"},
	}
	for _, tt := range tests {
		err := Serial(SerialConfig{Port: tt.port, Line: tt.line}).Run(context.Background(), newSink().emit)
		if err == nil || !strings.Contains(err.Error(), tt.says) || errors.Is(err, ErrUnplugged) {
			t.Errorf("%s at %+v: got %v", tt.port, tt.line, err)
		}
	}
	err := Serial(SerialConfig{Port: tests[0].port, Line: DefaultLine(9600)}).Run(context.Background(), newSink().emit)
	if !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}
