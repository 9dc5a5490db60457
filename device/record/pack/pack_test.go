package pack

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func write(t *testing.T, text []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "run.jsonl")
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func read(t *testing.T, path string) (string, error) {
	t.Helper()
	r, err := Open(path)
	if err != nil {
		return "", err
	}
	defer r.Close()
	text, err := io.ReadAll(r)
	return string(text), err
}

func gz(t *testing.T, text string) []byte {
	t.Helper()
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	io.WriteString(w, text)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func zst(t *testing.T, text string, options ...zstd.EOption) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := zstd.NewWriter(&out, append(options, zstd.WithEncoderConcurrency(1))...)
	if err != nil {
		t.Fatal(err)
	}
	io.WriteString(w, text)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func TestOpen(t *testing.T) {
	text := strings.Repeat(`{"type":"note","time_s":1,"text":"µ"}`+"\n", 1000)
	for name, content := range map[string][]byte{
		"plain": []byte(text), "gzip": gz(t, text), "zstd": zst(t, text),
		"two gzip members": append(gz(t, text[:100]), gz(t, text[100:])...),
		"two zstd frames":  append(zst(t, text[:100]), zst(t, text[100:])...),
	} {
		if got, err := read(t, write(t, content)); err != nil || got != text {
			t.Errorf("%s: %d bytes of %d, %v", name, len(got), len(text), err)
		}
		if Compressed(content) != (name != "plain") {
			t.Errorf("%s: Compressed is wrong", name)
		}
	}
	for _, short := range []string{"", "a", "{}\n"} {
		if got, err := read(t, write(t, []byte(short))); err != nil || got != short {
			t.Errorf("%q: got %q, %v", short, got, err)
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "no")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

// A compressed file cut at any byte gives what it still can, and an error.
func TestTorn(t *testing.T) {
	text := strings.Repeat("0123456789abcdef\n", 20)
	for name, content := range map[string][]byte{"gzip": gz(t, text), "zstd": zst(t, text)} {
		for cut := 5; cut < len(content); cut++ {
			r, err := decompress(bytes.NewReader(content[:cut]), MaxBytes)
			var got []byte
			if err == nil {
				got, err = io.ReadAll(r)
				r.Close()
			}
			if err == nil || !strings.HasPrefix(text, string(got)) {
				t.Fatalf("%s cut at %d of %d: %q, %v", name, cut, len(content), got, err)
			}
		}
	}
}

func TestBounds(t *testing.T) {
	const most = 1000
	for name, pack := range map[string]func(string) []byte{
		"gzip": func(s string) []byte { return gz(t, s) }, "zstd": func(s string) []byte { return zst(t, s) },
	} {
		for size, ok := range map[int]bool{most - 1: true, most: true, most + 1: false, 50 * most: false} {
			r, err := decompress(bytes.NewReader(pack(strings.Repeat("x", size))), most)
			if err != nil {
				t.Fatal(err)
			}
			got, err := io.ReadAll(r)
			r.Close()
			if len(got) != min(size, most) || errors.Is(err, ErrTooLarge) == ok {
				t.Errorf("%s of %d bytes: %d bytes, %v", name, size, len(got), err)
			}
		}
	}
	// A frame that asks for a window of 1 GB gets none (RFC 8878, section 3.1.1.1.2: the
	// exponent stands in the upper five bits, the window is 2^(10+exponent)).
	frame := binary.LittleEndian.AppendUint32(nil, 0xFD2FB528)
	frame = append(frame, 0, 20<<3, 1, 0, 0)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if got, err := read(t, write(t, frame)); err == nil {
		t.Errorf("a window of 1 GB was granted: %q", got)
	}
	runtime.ReadMemStats(&after)
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 64<<20 {
		t.Errorf("it cost %d MB", grown>>20)
	}
}

func TestCompress(t *testing.T) {
	text := strings.Repeat(`{"type":"note","time_s":1,"text":"invented"}`+"\n", 10000)
	path := write(t, []byte(text))
	// What a crash left in the way.
	if err := os.WriteFile(path+Suffix+".part", []byte("half"), 0o644); err != nil {
		t.Fatal(err)
	}
	to, err := Compress(t.Context(), path)
	if err != nil || to != path+Suffix {
		t.Fatalf("%q, %v", to, err)
	}
	if got, err := read(t, to); err != nil || got != text {
		t.Errorf("%d bytes, %v", len(got), err)
	}
	names, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(names) != 1 {
		t.Errorf("left behind: %v, %v", names, err)
	}
	if info, _ := os.Stat(to); info.Size() > int64(len(text)/20) {
		t.Errorf("%d bytes became %d", len(text), info.Size())
	}

	// Never over another file, never half.
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Compress(t.Context(), path); !errors.Is(err, fs.ErrExist) {
		t.Errorf("over an existing file: %v", err)
	}
	other := write(t, []byte(text))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Compress(ctx, other); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	names, _ = os.ReadDir(filepath.Dir(other))
	if got, _ := os.ReadFile(other); string(got) != text || len(names) != 1 {
		t.Errorf("after a failure: %d bytes, %v", len(got), names)
	}
}

func FuzzOpen(f *testing.F) {
	f.Add([]byte{0x28, 0xb5, 0x2f, 0xfd, 0, 0xa0, 1, 0, 0})
	f.Add([]byte{0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte("{}\n"))
	f.Fuzz(func(t *testing.T, content []byte) {
		const most = 1 << 20
		r, err := decompress(bytes.NewReader(content), most)
		if err != nil {
			return
		}
		defer r.Close()
		if n, _ := io.Copy(io.Discard, r); n > most {
			t.Fatalf("%d bytes", n)
		}
	})
}
