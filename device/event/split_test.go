package event

import (
	"bytes"
	"errors"
	"runtime"
	"slices"
	"testing"
)

// collect gathers what a Splitter says; "!" stands for a line that was dropped.
type collect struct{ lines []string }

func (c *collect) emit(line []byte, err error) error {
	if err != nil {
		c.lines = append(c.lines, "!")
		return nil
	}
	c.lines = append(c.lines, string(line))
	return nil
}

func TestSplitterChunks(t *testing.T) {
	text := "one\n\nthree\r\n" + string(bytes.Repeat([]byte("x"), 300)) + "\ntail"
	want := []string{"one", "", "three\r", string(bytes.Repeat([]byte("x"), 300))}
	for size := 1; size <= len(text); size++ {
		var s Splitter
		var got collect
		for chunk := range slices.Chunk([]byte(text), size) {
			if err := s.Feed(chunk, got.emit); err != nil {
				t.Fatal(err)
			}
		}
		if !slices.Equal(got.lines, want) {
			t.Fatalf("chunks of %d: got %q", size, got.lines)
		}
		if rest, n := s.Rest(); string(rest) != "tail" || n != 4 {
			t.Fatalf("chunks of %d: rest %q, %d", size, rest, n)
		}
	}
}

func TestSplitterLongest(t *testing.T) {
	fits := bytes.Repeat([]byte("x"), MaxLineBytes)
	for _, size := range []int{1 << 16, MaxLineBytes - 1, MaxLineBytes, 3 * MaxLineBytes} {
		var s Splitter
		var got collect
		text := slices.Concat(fits, []byte("\n"), fits, []byte("x\ngood\n"))
		for chunk := range slices.Chunk(text, size) {
			_ = s.Feed(chunk, got.emit)
		}
		if len(got.lines) != 3 || len(got.lines[0]) != MaxLineBytes || got.lines[1] != "!" || got.lines[2] != "good" {
			t.Errorf("chunks of %d: got %d lines", size, len(got.lines))
		}
	}
}

// A line of 100 MB is streamed through: it is dropped and told once, costs no
// more memory than the longest line allowed, and the next line is whole.
func TestSplitterBoundsMemory(t *testing.T) {
	var s Splitter
	var got collect
	chunk := bytes.Repeat([]byte("x"), 32<<10)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for sent := 0; sent < 100<<20; sent += len(chunk) {
		if err := s.Feed(chunk, got.emit); err != nil {
			t.Fatal(err)
		}
	}
	runtime.ReadMemStats(&after)
	// Growing one buffer up to the limit allocates a geometric series of it.
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 8*MaxLineBytes {
		t.Errorf("allocated %d bytes", grown)
	}
	if _, size := s.Rest(); size != 100<<20 {
		t.Errorf("rest is %d bytes", size)
	}
	_ = s.Feed([]byte("\ngood\n"), got.emit)
	if !slices.Equal(got.lines, []string{"!", "good"}) {
		t.Errorf("got %q", got.lines)
	}
}

func TestSplitterStops(t *testing.T) {
	var s Splitter
	stop := errors.New("stop")
	n := 0
	err := s.Feed([]byte("a\nb\nc\n"), func([]byte, error) error {
		if n++; n == 2 {
			return stop
		}
		return nil
	})
	if !errors.Is(err, stop) || n != 2 {
		t.Errorf("got %v after %d lines", err, n)
	}
}

// FuzzSplitter: the lines are those of the text, however it is cut.
func FuzzSplitter(f *testing.F) {
	f.Add([]byte("a\nbb\r\n\nccc"), []byte{1, 2, 3})
	f.Add([]byte("\n\n\n"), []byte{0})
	f.Add([]byte("{\"type\":\"end\",\"time_s\":1}\n\xff\x00noise{\n{}\n"), []byte{7, 255})
	f.Fuzz(func(t *testing.T, text, cuts []byte) {
		var s Splitter
		var got collect
		rest := text
		for i := 0; len(rest) > 0; i++ {
			n := len(rest)
			if len(cuts) > 0 {
				n = min(n, 1+int(cuts[i%len(cuts)]))
			}
			chunk := bytes.Clone(rest[:n])
			_ = s.Feed(chunk, got.emit)
			clear(chunk) // nothing may hold on to it
			rest = rest[n:]
		}
		want := bytes.Split(text, []byte("\n"))
		tail := want[len(want)-1]
		want = want[:len(want)-1]
		if len(got.lines) != len(want) {
			t.Fatalf("got %d lines of %d", len(got.lines), len(want))
		}
		for i := range want {
			if got.lines[i] != string(want[i]) {
				t.Fatalf("line %d: got %q, want %q", i, got.lines[i], want[i])
			}
		}
		if text, n := s.Rest(); n != len(tail) || !bytes.Equal(text, tail) {
			t.Fatalf("rest is %q, %d: want %q", text, n, tail)
		}
	})
}

// FuzzNoise: intact lines come out, whatever noise lines stand around them.
func FuzzNoise(f *testing.F) {
	f.Add([]byte("\xff\x00half a line"), []byte("{}"), uint8(3))
	f.Fuzz(func(t *testing.T, before, between []byte, size uint8) {
		good := AppendCRC(nil, []byte(`{"type":"note","time_s":1,"text":"here I am"}`))
		text := slices.Concat(before, []byte("\n"), good, []byte("\n"), between, []byte("\n"), good, []byte("\n"))
		var s Splitter
		found := 0
		for chunk := range slices.Chunk(text, 1+int(size)) {
			_ = s.Feed(chunk, func(line []byte, err error) error {
				if e, err := Decode(line); err == nil && e.Body == (Note{TimeS: 1, Text: "here I am"}) {
					found++
				}
				return nil
			})
		}
		if found < 2 {
			t.Fatalf("found %d good lines in %q", found, text)
		}
	})
}
