//go:build linux || darwin

package device

// What can go wrong on the way from an instrument, and where that is tested:
//
//	unplugged and plugged in again    TestReplug, TestReplugBlocks (pty under a link)
//	unplugged in the middle of a line TestReplug, TestSerialUnplugged
//	not back for a while, rights late TestReplug (the link is missing, then a plain file)
//	poll command, line that is stuck  TestPoll, TestPollStuck
//	garbage between lines             TestFaultyLine; codec.TestChunks, codec.FuzzBlock
//	split and merged writes           TestFaultyLine, TestSerial; codec.TestChunks
//	wrong CRC                         TestFaultyLine
//	wrong baud (random bytes)         TestFaultyLine; codec.TestRandomBytes
//	10 MB without a line feed         TestFaultyLine; codec.TestEndlessLine
//	bytes lost inside a block         codec.TestBlockLosesBytes
//	clock that jumps back             TestFaultyLine (handed on), TestFolderClockBack; codec.TestWide
//	duplicate events                  TestFaultyLine (handed on), TestFolderClockBack; codec.TestWide
//	file rotated in the middle of a line, cut, replaced, removed
//	                                  TestFollowChanged; codec.TestWideInNewFile
//	no word of changes (network)      TestFollowPolls
//	half-written files                TestFolderHalfWritten

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"bluefringe/device/codec"
	"bluefringe/device/event"
)

// plug makes a serial line whose port is found under a link.
func plug(t *testing.T, link string) (instrument *os.File) {
	t.Helper()
	instrument, tty, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo terminal here: %v", err)
	}
	t.Cleanup(func() { instrument.Close() })
	defer tty.Close()
	if _, err := term.MakeRaw(int(tty.Fd())); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(tty.Name(), link+".new"); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(link+".new", link); err != nil {
		t.Fatal(err)
	}
	return instrument
}

func send(t *testing.T, instrument io.Writer, text string) {
	t.Helper()
	if _, err := io.WriteString(instrument, text); err != nil {
		t.Fatal(err)
	}
}

// The cable is pulled in the middle of a line. The port is missing, then not yet
// one, then there again, twice over.
func TestReplug(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "by-id")
	instrument := plug(t, link)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	got := newSink()
	notices := make(chan string, 10)
	done := start(ctx, Serial(SerialConfig{Port: link, Line: DefaultLine(115200), Reconnect: true,
		Notice: func(text string) { notices <- text }}), got.emit)
	for n := range 2 {
		before := len(got.all())
		send(t, instrument, note(n)+"\n")
		got.await(t, before+1)
		send(t, instrument, `{"type":"no`)
		if err := os.Remove(link); err != nil {
			t.Fatal(err)
		}
		instrument.Close()
		lines := got.await(t, before+2)
		for !has(lines[before:], "trying again") { // the torn line may come first
			lines = got.await(t, len(lines)+1)
		}
		if !has(lines[before:], link) || !has(lines[before:], "went away") {
			t.Errorf("the gap was told as %q", lines)
		}
		write(t, link, os.O_CREATE, "")
		time.Sleep(firstRetry)
		if err := os.Remove(link); err != nil {
			t.Fatal(err)
		}
		instrument = plug(t, link)
	}
	before := len(got.all())
	send(t, instrument, note(9)+"\n")
	if lines := got.await(t, before+1); lines[len(lines)-1] != note(9) {
		t.Errorf("got %q", lines)
	}
	lines := got.all()
	whole := slices.DeleteFunc(slices.Clone(lines), func(l string) bool { return strings.HasPrefix(l, "!") })
	if !slices.Equal(whole, []string{note(0), note(1), note(9)}) {
		t.Errorf("got %q", lines)
	}
	for range 2 {
		select {
		case text := <-notices:
			if !strings.Contains(text, "is back after") || !strings.Contains(text, link) {
				t.Errorf("the end of the gap was told as %q", text)
			}
		case <-time.After(patience):
			t.Fatal("the end of the gap was not told")
		}
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

// Where the stream has no times of its own, the gap stands in it as a note, and the
// time goes on over it.
func TestReplugBlocks(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "by-id")
	instrument := plug(t, link)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	seconds := 0.0
	clockS := func() float64 { seconds++; return seconds }
	decoder, err := codec.New(codec.Config{Codec: "block", Pixel: "uint16be", Spectra: codec.Spectra{Channel: "vis", Pixels: 2, ClockS: clockS}})
	if err != nil {
		t.Fatal(err)
	}
	got := newSink()
	done := start(ctx, Serial(SerialConfig{Port: link, Line: DefaultLine(115200), Decoder: decoder, Reconnect: true, ClockS: clockS}), got.emit)
	send(t, instrument, "#14\x00\x01\x00\x02\n")
	got.await(t, 1)
	instrument.Close()
	got.await(t, 2)
	instrument = plug(t, link)
	send(t, instrument, "\x03\x00\x04\n#14\x00\x05\x00\x06\n") // begins in the middle of a block
	want := []string{
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1,2]}`,
		"!serial port " + link,
		`{"type":"note","time_s":2,"text":"serial port ` + link + " is back after ",
		`{"type":"spectrum","time_s":3,"channel":"vis","counts":[5,6]}`,
	}
	if lines := got.await(t, 4); !slices.EqualFunc(lines, want, strings.HasPrefix) {
		t.Errorf("got %q", lines)
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

// A port that does not come back does not hold up the end of a run.
func TestReplugCancelled(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "by-id")
	instrument := plug(t, link)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	got := newSink()
	done := start(ctx, Serial(SerialConfig{Port: link, Line: DefaultLine(9600), Reconnect: true}), got.emit)
	send(t, instrument, note(0)+"\n")
	got.await(t, 1)
	if err := os.Remove(link); err != nil {
		t.Fatal(err)
	}
	instrument.Close()
	got.await(t, 2)
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

// An instrument that speaks only when asked.
func TestPoll(t *testing.T) {
	t.Parallel()
	instrument, port := openPTY(t)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	decoder, err := codec.New(codec.Config{Codec: "numbers", Spectra: codec.Spectra{Channel: "vis", Pixels: 2, ClockS: func() float64 { return 0 }}})
	if err != nil {
		t.Fatal(err)
	}
	got := newSink()
	done := start(ctx, Serial(SerialConfig{Port: port, Line: DefaultLine(9600), Decoder: decoder, Poll: []byte("GO\r\n"), PollEvery: 20 * time.Millisecond}), got.emit)
	command := make([]byte, 4)
	for i := range 5 {
		if _, err := io.ReadFull(instrument, command); err != nil || string(command) != "GO\r\n" {
			t.Fatalf("the instrument was sent %q, %v", command, err)
		}
		send(t, instrument, fmt.Sprintf("%d,7\r\n", i))
	}
	lines := got.await(t, 4) // the first answer may be the end of an older one
	for i, line := range lines[:4] {
		if want := fmt.Sprintf(`{"type":"spectrum","time_s":0,"channel":"vis","counts":[%d,7]}`, i+1); line != want {
			t.Errorf("got %q, want %q", line, want)
		}
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
	bad := Serial(SerialConfig{Port: port, Line: DefaultLine(9600), Poll: []byte("GO")})
	if err := bad.Run(context.Background(), got.emit); err == nil || !strings.Contains(err.Error(), "interval above 0") {
		t.Errorf("got %v", err)
	}
}

// An instrument that takes no bytes holds up neither reading nor the end.
func TestPollStuck(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "port")
	instrument := plug(t, link)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	got := newSink()
	done := start(ctx, Serial(SerialConfig{Port: link, Line: DefaultLine(9600), Poll: bytes.Repeat([]byte("x"), 128<<10), PollEvery: time.Millisecond}), got.emit)
	time.Sleep(100 * time.Millisecond) // the line is full by now
	send(t, instrument, note(0)+"\n")
	got.await(t, 1)
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
	instrument.Close() // frees what is stuck in the system
}

// One bad line after another on the wire: all that is whole comes out in order and
// unchanged, what is not is told, and nothing ends the run.
func TestFaultyLine(t *testing.T) {
	t.Parallel()
	instrument, port := openPTY(t)
	noise := make([]byte, 4096)
	rand.NewChaCha8([32]byte{1}).Read(noise)
	good := string(event.AppendCRC(nil, []byte(note(5))))
	wrong := strings.Replace(good, "5", "6", 1)
	back := []string{note(100), note(3), note(3)} // the clock jumps back; twice the same
	stream := note(0) + "\n" + note(1) + "\n\n" + "garbage\x00\xff\x1b[2J\n" + note(2) + "\r\n" +
		wrong + "\n" + good + "\n" + string(noise) + "\n" + strings.Join(back, "\n") + "\n"

	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var valid []string
	faults := map[error]int{}
	ended := make(chan struct{})
	count := func(l Line) error {
		e, err := event.Event{}, l.Err
		if err == nil {
			e, err = event.Decode(l.Text)
		}
		if err == nil {
			valid = append(valid, string(e.Raw))
			if _, ok := e.Body.(event.End); ok {
				close(ended)
			}
			return nil
		}
		for _, kind := range []error{event.ErrCRC, event.ErrSyntax, event.ErrTooLong} {
			if errors.Is(err, kind) {
				faults[kind]++
			}
		}
		return nil
	}
	done := start(ctx, Serial(SerialConfig{Port: port, Line: DefaultLine(115200)}), count)
	go func() {
		source := rand.New(rand.NewPCG(3, 4))
		for rest := []byte(stream); len(rest) > 0; { // split and merged writes
			n := min(len(rest), 1+source.IntN(97))
			if _, err := instrument.Write(rest[:n]); err != nil {
				return
			}
			rest = rest[n:]
		}
		endless := bytes.Repeat([]byte("7"), 64<<10)
		for range 10 << 20 / len(endless) {
			if _, err := instrument.Write(endless); err != nil {
				return
			}
		}
		_, _ = io.WriteString(instrument, "\n{\"type\":\"end\",\"time_s\":9}\n")
	}()
	select {
	case <-ended:
	case <-time.After(patience):
		t.Fatal("the end did not come through")
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
	want := slices.Concat([]string{note(0), note(1), note(2), note(5)}, back, []string{`{"type":"end","time_s":9}`})
	if !slices.Equal(valid, want) {
		t.Errorf("got %q, want %q", valid, want)
	}
	if faults[event.ErrCRC] != 1 || faults[event.ErrSyntax] < 2 || faults[event.ErrTooLong] != 1 {
		t.Errorf("faults: %v", faults)
	}
}
