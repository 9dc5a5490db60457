package device

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"bluefringe/device/event"
)

func TestReader(t *testing.T) {
	text := strings.Join(notes(3), "\n") + "\n"
	for name, r := range map[string]io.Reader{
		"whole":         strings.NewReader(text),
		"byte by byte":  iotest.OneByteReader(strings.NewReader(text)),
		"data with EOF": iotest.DataErrReader(strings.NewReader(text)),
		"no line end":   strings.NewReader(strings.TrimSuffix(text, "\n")),
	} {
		got := newSink()
		if err := Reader("memory", r).Run(context.Background(), got.emit); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if !slices.Equal(got.all(), notes(3)) {
			t.Errorf("%s: got %q", name, got.all())
		}
	}
}

func TestReaderFails(t *testing.T) {
	broken := errors.New("broken")
	got := newSink()
	r := io.MultiReader(strings.NewReader(note(0)+"\n{"), iotest.ErrReader(broken))
	err := Reader("memory", r).Run(context.Background(), got.emit)
	if !errors.Is(err, broken) || !strings.Contains(err.Error(), "memory") {
		t.Errorf("got %v", err)
	}
	if lines := got.all(); len(lines) != 2 || lines[0] != note(0) || !strings.Contains(lines[1], "1 bytes") {
		t.Errorf("got %q", lines)
	}
}

// A reader that blocks, as a terminal does, does not hold up the end.
func TestReaderCancelled(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close() // lets the reading goroutine go
	ctx, cancel := context.WithCancel(context.Background())
	got := newSink()
	done := start(ctx, Reader("stdin", r), got.emit)
	if _, err := w.Write([]byte(note(0) + "\n")); err != nil {
		t.Fatal(err)
	}
	got.await(t, 1)
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

// Once ctx is done no line of the chunk in hand comes out any more.
func TestReaderCancelledInChunk(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	n := 0
	err := Reader("memory", strings.NewReader(strings.Repeat("x\n", 100))).Run(ctx, func(Line) error {
		if n++; n == 3 {
			cancel()
		}
		return nil
	})
	if err != context.Canceled || n != 3 {
		t.Errorf("got %v after %d lines", err, n)
	}
}

// A line of 100 MB is told once and does not take the lines around it along.
func TestReaderOverLongLine(t *testing.T) {
	long := io.LimitReader(repeat('x'), 100<<20)
	r := io.MultiReader(strings.NewReader(note(0)+"\n"), long, strings.NewReader("\n"+note(1)+"\n"))
	var lines []Line
	err := Reader("memory", r).Run(context.Background(), func(l Line) error {
		lines = append(lines, l)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) != 3 || string(lines[0].Text) != note(0) || !errors.Is(lines[1].Err, event.ErrTooLong) || string(lines[2].Text) != note(1) {
		t.Errorf("got %d lines", len(lines))
	}
}

type repeat byte

func (r repeat) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(r)
	}
	return len(p), nil
}

// A record cut at any byte reads as a prefix of its lines; what is torn is told
// to the byte. A last line that lacks only its line end is whole.
func TestFileCutAnywhere(t *testing.T) {
	spectrum, err := event.Append(nil, event.Spectrum{TimeS: 2, Channel: "vis", Counts: []float64{1, 2.5, 3}})
	if err != nil {
		t.Fatal(err)
	}
	whole := []string{`{"type":"run","format":1}`, note(1), string(event.AppendCRC(nil, spectrum)), `{"type":"end","time_s":3}`}
	record := []byte(strings.Join(whole, "\n") + "\n")
	path := filepath.Join(t.TempDir(), "cut.jsonl")
	for cut := range len(record) + 1 {
		if err := os.WriteFile(path, record[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		var texts []string
		torn := 0
		err := File(path).Run(context.Background(), func(l Line) error {
			var e *TornError
			switch {
			case l.Err == nil && torn == 0:
				texts = append(texts, string(l.Text))
			case errors.As(l.Err, &e):
				torn = e.Bytes
			default:
				t.Errorf("cut at %d: line %+v", cut, l)
			}
			return nil
		})
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		ends := bytes.Count(record[:cut], []byte("\n"))
		tail := string(record[bytes.LastIndexByte(record[:cut], '\n')+1 : cut])
		wantTorn := len(tail)
		// Whole but for its line end, and perhaps for its checksum.
		if tail != "" && (tail == whole[ends] || strings.TrimRight(tail, " ") == string(spectrum)) {
			ends, wantTorn = ends+1, 0
		}
		if torn != wantTorn || len(texts) != ends {
			t.Fatalf("cut at %d (%q): %d lines and %d torn bytes, want %d and %d", cut, tail, len(texts), torn, ends, wantTorn)
		}
		for i := range texts {
			if !strings.HasPrefix(whole[i], strings.TrimRight(texts[i], " ")) || (i < ends-1 && texts[i] != whole[i]) {
				t.Fatalf("cut at %d: line %d is %q", cut, i, texts[i])
			}
		}
	}
}

// Lines may be kept: the source does not write over them.
func TestFileLinesAreKept(t *testing.T) {
	want := notes(5000) // several reads of the file
	path := filepath.Join(t.TempDir(), "run.jsonl")
	write(t, path, os.O_CREATE, strings.Join(want, "\n")+"\n")
	var kept [][]byte
	err := File(path).Run(context.Background(), func(l Line) error {
		kept = append(kept, l.Text)
		return l.Err
	})
	if err != nil || len(kept) != len(want) {
		t.Fatalf("%d lines, %v", len(kept), err)
	}
	for i := range want {
		if string(kept[i]) != want[i] {
			t.Fatalf("line %d became %q", i, kept[i])
		}
	}
}

func TestFileMissing(t *testing.T) {
	err := File(filepath.Join(t.TempDir(), "none")).Run(context.Background(), newSink().emit)
	if !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}
