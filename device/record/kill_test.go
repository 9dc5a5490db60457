package record

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
)

// asWriter makes the test binary record numbered lines into the file it names, until it
// is killed; it says on standard output how many are recorded.
const asWriter = "BLUEFRINGE_TEST_RECORD"

func init() {
	if path := os.Getenv(asWriter); path != "" {
		writeForEver(path)
	}
}

func writeForEver(path string) {
	r, err := Create(path)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	told := 0
	for i := 0; ; i++ {
		r.Receive([]byte(numbered(i)), time.Now())
		if n := r.Stats().Written; n > told {
			told = n
			fmt.Println(n)
		}
		time.Sleep(20 * time.Microsecond) // so that the kill meets the disk as often as this loop
	}
}

// numbered is the i-th line: of many lengths, and told from every other.
func numbered(i int) string {
	return fmt.Sprintf(`{"type":"note","time_s":%d,"text":"%s"}`, i, strings.Repeat(string(rune('a'+i%26)), i*7919%3000))
}

// A watch that is killed at any moment leaves every line that it counted as written,
// nothing that it did not receive, and no lock: the record can be gone on with.
func TestKilledAtAnyMoment(t *testing.T) {
	const kills, atOnce = 200, 4
	var wg sync.WaitGroup
	var mu sync.Mutex
	rng := rand.New(rand.NewPCG(1, 1))
	torn, lines, next := 0, 0, 0
	folder := t.TempDir()
	for range atOnce {
		wg.Go(func() {
			for {
				mu.Lock()
				i, wait := next, time.Duration(rng.Int64N(int64(4*time.Millisecond)))
				next++
				mu.Unlock()
				if i >= kills {
					return
				}
				path := filepath.Join(folder, fmt.Sprint(i))
				acknowledged, err := killedAfter(path, wait)
				if err != nil {
					t.Error(err)
					return
				}
				found, tornBytes := readNumbered(t, path)
				if found < acknowledged {
					t.Errorf("kill %d: %d lines were recorded, %d are there", i, acknowledged, found)
				}
				if i%8 == 0 || tornBytes > 0 {
					goneOn(t, path, int64(tornBytes))
				}
				os.Remove(path)
				mu.Lock()
				lines += found
				if tornBytes > 0 {
					torn++
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	t.Logf("%d kills, %d lines recovered, %d records with a torn last line", kills, lines, torn)
}

// killedAfter runs a writer and kills it a while after its first lines; it returns how
// many lines the writer said were recorded.
func killedAfter(path string, wait time.Duration) (acknowledged int, err error) {
	writer := exec.Command(os.Args[0])
	writer.Env = append(os.Environ(), asWriter+"="+path)
	writer.Stderr = os.Stderr
	out, err := writer.StdoutPipe()
	if err == nil {
		err = writer.Start()
	}
	if err != nil {
		return 0, err
	}
	said := bufio.NewReader(out)
	for first := true; ; first = false {
		line, err := said.ReadString('\n')
		if err != nil {
			break // a number cut short was not said
		}
		if _, err := fmt.Sscan(line, &acknowledged); err != nil {
			return 0, err
		}
		if first {
			time.AfterFunc(wait, func() { writer.Process.Kill() })
		}
	}
	_ = writer.Wait() // killed
	if acknowledged == 0 {
		return 0, errors.New("the writer recorded nothing")
	}
	return acknowledged, nil
}

// readNumbered checks that a record holds the numbered lines from the first on, with
// times of receipt, and nothing else.
func readNumbered(t *testing.T, path string) (lines, torn int) {
	err := device.File(path).Run(context.Background(), func(l device.Line) error {
		var cut *device.TornError
		if errors.As(l.Err, &cut) {
			torn = cut.Bytes
			return nil
		}
		if l.Err != nil {
			return l.Err
		}
		if string(l.Text) == numbered(lines) {
			lines++
			return nil
		}
		e, err := event.Decode(l.Text)
		if _, ok := e.Body.(event.Received); !ok {
			return fmt.Errorf("after line %d stands %.60q, %v", lines, l.Text, err)
		}
		return nil
	})
	if err != nil {
		t.Errorf("%s: %v", path, err)
	}
	return lines, torn
}

// goneOn goes on with a record and checks that what was in it is still there.
func goneOn(t *testing.T, path string, torn int64) {
	before, err := os.ReadFile(path)
	if err != nil {
		t.Error(err)
		return
	}
	r, ended, err := Continue(path)
	if err != nil {
		t.Error(err)
		return
	}
	r.Append([]byte("more"))
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	after, err := os.ReadFile(path)
	want := string(before)
	if !strings.HasSuffix(want, "\n") {
		want += "\n"
	}
	if err != nil || string(after) != want+"more\n" {
		t.Errorf("%s: going on changed what was there", path)
	}
	// A last line that only lacks its end is whole for a reader, and is ended too.
	if torn > 0 && ended != torn {
		t.Errorf("%s: %d bytes torn, Continue says %d", path, torn, ended)
	}
}

// A record that is written to is refused to a second writer.
func TestOneWriter(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.jsonl")
	r, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := Continue(path); !errors.Is(err, ErrInUse) {
		t.Errorf("a second writer: %v", err)
	}
	r.Append([]byte("a"))
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	again, torn, err := Continue(path)
	if err != nil || torn != 0 {
		t.Fatalf("after the first ended: %d torn, %v", torn, err)
	}
	if _, _, err := Continue(path); !errors.Is(err, ErrInUse) {
		t.Errorf("a third writer: %v", err)
	}
	again.Append([]byte("b"))
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
	if text, _ := os.ReadFile(path); string(text) != "a\nb\n" {
		t.Errorf("got %q", text)
	}
	if _, _, err := Continue(path + "x"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no record: %v", err)
	}
	packed := filepath.Join(t.TempDir(), "packed")
	if err := os.WriteFile(packed, []byte{0x28, 0xb5, 0x2f, 0xfd, 0}, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Continue(packed); err == nil || !strings.Contains(err.Error(), "compressed") {
		t.Errorf("a compressed record was gone on with: %v", err)
	}
	if _, _, err := Continue(t.TempDir()); err == nil {
		t.Error("a folder was gone on with")
	}
}
