package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"bluefringe/device"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// disk is a file with faults.
type disk struct {
	mu       sync.Mutex
	text     bytes.Buffer
	syncs    int
	closed   int
	room     int // bytes it still takes; negative: no bound
	failSync error
}

var errFull = errors.New("no space left")

func (d *disk) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.room >= 0 && len(p) > d.room {
		n, _ := d.text.Write(p[:d.room])
		d.room = 0
		return n, errFull
	}
	if d.room >= 0 {
		d.room -= len(p)
	}
	return d.text.Write(p)
}

func (d *disk) Sync() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.syncs++
	return d.failSync
}

func (d *disk) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed++
	return nil
}

func (d *disk) state() (text string, syncs int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.text.String(), d.syncs
}

func (d *disk) setRoom(room int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.room = room
}

func TestCreate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.jsonl")
	r, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := []string{`{"type":"run","format":1}`, "", "garbage \xff\x00\r", `{"type":"end","time_s":1} 00000000`}
	reused := make([]byte, 0, 100)
	for _, line := range lines {
		reused = append(reused[:0], line...)
		r.Append(reused) // the recorder keeps nothing of it
		clear(reused)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if err := r.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	want := strings.Join(lines, "\n") + "\n"
	got, err := os.ReadFile(path)
	if err != nil || string(got) != want {
		t.Errorf("got %q, %v", got, err)
	}
	if s := r.Stats(); s != (Stats{Lines: 4, Written: 4, Bytes: int64(len(want))}) {
		t.Errorf("got %+v", s)
	}

	if _, err := Create(path); !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), "not overwritten") {
		t.Errorf("a second record of that name: %v", err)
	}
	if again, _ := os.ReadFile(path); string(again) != want {
		t.Errorf("the first record became %q", again)
	}
	if _, err := Create(filepath.Join(path, "inside-a-file")); err == nil {
		t.Error("a record inside a file was created")
	}
}

// A line is with the system at once, and on the disk within a second.
func TestFlushPolicy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{room: -1}
		r := To("r", d)
		r.Append([]byte("a"))
		synctest.Wait()
		if text, syncs := d.state(); text != "a\n" || syncs != 0 {
			t.Errorf("at once: %q, %d syncs", text, syncs)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if _, syncs := d.state(); syncs != 1 {
			t.Errorf("after a second: %d syncs", syncs)
		}
		time.Sleep(time.Hour)
		synctest.Wait()
		if _, syncs := d.state(); syncs != 1 {
			t.Errorf("an idle hour later: %d syncs", syncs)
		}
		for range 100 { // ten seconds of ten lines
			r.Append([]byte("b"))
			time.Sleep(100 * time.Millisecond)
		}
		synctest.Wait()
		if _, syncs := d.state(); syncs < 10 || syncs > 12 {
			t.Errorf("ten busy seconds: %d syncs", syncs-1)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
		if text, _ := d.state(); strings.Count(text, "\n") != 101 || d.closed != 1 {
			t.Errorf("%d lines, closed %d times", strings.Count(text, "\n"), d.closed)
		}
	})
}

// A full disk is told, the watch goes on, and when there is room again the
// record goes on at the very byte it had got to.
func TestDiskFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{room: 5}
		r := To("r", d)
		want := ""
		for i := range 10 {
			line := fmt.Sprintf("line %d", i)
			r.Append([]byte(line))
			want += line + "\n"
			synctest.Wait()
		}
		if text, _ := d.state(); text != "line " {
			t.Errorf("on the disk: %q", text)
		}
		if err := r.Err(); !errors.Is(err, errFull) {
			t.Errorf("got %v", err)
		}
		if s := r.Stats(); s.Lines != 10 || s.Pending != len(want)-5 || s.Bytes != 5 {
			t.Errorf("got %+v", s)
		}
		d.setRoom(-1)
		time.Sleep(time.Second)
		synctest.Wait()
		if text, _ := d.state(); text != want {
			t.Errorf("after room was made: %q", text)
		}
		r.Append([]byte("more"))
		synctest.Wait()
		if text, _ := d.state(); text != want+"more\n" {
			t.Errorf("then: %q", text)
		}
		if err := r.Close(); !errors.Is(err, errFull) {
			t.Errorf("Close forgot the error: %v", err)
		}
	})
}

// A disk that never takes anything costs bounded memory; dropped lines count.
func TestDiskDead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const limit = 1000
		d := &disk{room: 0}
		r := start("r", d, limit, gauge{})
		for range 100 {
			r.Append(bytes.Repeat([]byte("x"), 99))
			synctest.Wait()
		}
		if s := r.Stats(); s != (Stats{Lines: 10, Pending: limit, Dropped: 90}) {
			t.Errorf("got %+v", s)
		}
		if r.Close() == nil {
			t.Error("Close tells nothing")
		}
	})
}

func TestSyncFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		broken := errors.New("input/output error")
		d := &disk{room: -1, failSync: broken}
		r := To("r", d)
		r.Append([]byte("a"))
		time.Sleep(2 * time.Second)
		if err := r.Err(); !errors.Is(err, broken) {
			t.Errorf("got %v", err)
		}
		r.Append([]byte("b"))
		_ = r.Close()
		if text, _ := d.state(); text != "a\nb\n" {
			t.Errorf("got %q", text)
		}
	})
}

func TestAppendRefuses(t *testing.T) {
	d := &disk{room: -1}
	r := To("r", d)
	r.Append([]byte("a\nb"))
	if r.Err() == nil {
		t.Error("a line end inside was accepted")
	}
	_ = r.Close()

	r = To("r", d)
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	r.Append([]byte("late"))
	if r.Err() == nil {
		t.Error("a line after Close was accepted")
	}
	if text, _ := d.state(); text != "" {
		t.Errorf("got %q", text)
	}
}

// A watch that records what it receives ends with a copy of the lines, whatever
// they hold; the copy, killed at any byte, reads as a prefix.
func TestRecordOfARun(t *testing.T) {
	lines := []string{`{"type":"run","format":1}`, "not an event", `{"type":"note","time_s":1,"text":"µ"}`, `{"type":"end","time_s":2}`}
	path := filepath.Join(t.TempDir(), "copy.jsonl")
	r, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	src := device.Reader("memory", strings.NewReader(strings.Join(lines, "\n")+"\n"))
	err = src.Run(context.Background(), func(l device.Line) error {
		r.Append(l.Text)
		return l.Err
	})
	if err := errors.Join(err, r.Close()); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for cut := range len(whole) + 1 {
		if err := os.WriteFile(path, whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		read, torn := "", 0
		err := device.File(path).Run(context.Background(), func(l device.Line) error {
			var e *device.TornError
			if errors.As(l.Err, &e) {
				torn = e.Bytes
				return nil
			}
			read += string(l.Text) + "\n"
			return l.Err
		})
		if err != nil || !strings.HasPrefix(string(whole), read) {
			t.Fatalf("cut at %d: read %q, %v", cut, read, err)
		}
		// All bytes are accounted for; a whole last line may lack its line end.
		if n := len(read) + torn; n != cut && n != cut+1 {
			t.Fatalf("cut at %d: %d bytes read, %d torn", cut, len(read), torn)
		}
	}
}

// spectrumLine is about as long as a spectrum of 2048 pixels of 16 bits.
func spectrumLine() []byte { return bytes.Repeat([]byte("1"), 12300) }

// BenchmarkReceive is how fast spectra of 2048 pixels go to the system, times of receipt
// and the fsync of every second included.
func BenchmarkReceive(b *testing.B) {
	r, err := Create(filepath.Join(b.TempDir(), "run.jsonl"))
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	line := spectrumLine()
	b.SetBytes(int64(len(line)))
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		// Wait now and then, so that the disk is measured too, not the queue.
		if n++; n%1000 == 0 {
			for r.Stats().Pending > 0 {
				time.Sleep(time.Millisecond)
			}
		}
		r.Receive(line, time.Now())
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "spectra/s")
}

// BenchmarkSecond is the work for one second of 200 spectra, fsync included.
func BenchmarkSecond(b *testing.B) {
	f, err := os.Create(filepath.Join(b.TempDir(), "run.jsonl"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	line := append(spectrumLine(), '\n')
	for b.Loop() {
		for range 200 {
			if _, err := f.Write(line); err != nil {
				b.Fatal(err)
			}
		}
		if err := f.Sync(); err != nil {
			b.Fatal(err)
		}
	}
}
