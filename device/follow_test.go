package device

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// A file that another goroutine writes in odd pieces, begun after the source.
func TestFollowGrowing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.jsonl")
	want := notes(200)
	text := []byte(strings.Join(want, "\n") + "\n")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	got := newSink()
	waiting := make(chan string, 2)
	done := start(ctx, Follow(path, nil, func(text string) { waiting <- text }), got.emit)
	if said := <-waiting; !strings.Contains(said, path) {
		t.Errorf("notice %q", said)
	}

	written := make(chan error, 1)
	go func() {
		f, err := os.Create(path)
		if err != nil {
			written <- err
			return
		}
		for chunk := range slices.Chunk(text, 97) {
			if _, err := f.Write(chunk); err != nil {
				written <- err
				return
			}
		}
		written <- f.Close()
	}()
	if lines := got.await(t, len(want)); !slices.Equal(lines, want) {
		t.Errorf("got %q", lines)
	}
	if err := <-written; err != nil {
		t.Error(err)
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
	if len(waiting) != 0 {
		t.Error("more than one notice")
	}
}

// A half line waits for its end, even where the half would be a whole event.
func TestFollowHalfLine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.jsonl")
	write(t, path, os.O_CREATE, note(0)+"\n"+note(1))
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	got := newSink()
	done := start(ctx, Follow(path, nil, nil), got.emit)
	got.await(t, 1)
	write(t, path, os.O_APPEND, " 00000000\n")
	if lines := got.await(t, 2); lines[1] != note(1)+" 00000000" {
		t.Errorf("got %q", lines)
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

// A file that is cut, replaced or rotated in the middle of a line: the torn line and
// the change are told, and what the name holds then is read from its start.
func TestFollowChanged(t *testing.T) {
	fresh := note(7) + "\n" + note(8) + "\n" + note(9) + "\n"
	tests := []struct {
		name   string
		change func(t *testing.T, path string)
		want   error
	}{
		{"shorter", func(t *testing.T, path string) {
			write(t, path, os.O_TRUNC, "")
			time.Sleep(2 * pollEvery) // the change is seen while the file is short
			write(t, path, os.O_APPEND, fresh)
		}, ErrTruncated},
		{"replaced", func(t *testing.T, path string) {
			write(t, path+".new", os.O_CREATE, fresh)
			if err := os.Rename(path+".new", path); err != nil {
				t.Skipf("this system does not replace an open file: %v", err)
			}
		}, ErrReplaced},
		{"rotated", func(t *testing.T, path string) {
			if err := os.Rename(path, path+".1"); err != nil {
				t.Skipf("this system does not rename an open file: %v", err)
			}
			write(t, path, os.O_CREATE, fresh)
		}, ErrReplaced},
		{"removed and made again", func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Skipf("this system does not remove an open file: %v", err)
			}
			time.Sleep(50 * time.Millisecond)
			write(t, path, os.O_CREATE, fresh)
		}, ErrReplaced},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "run.jsonl")
			write(t, path, os.O_CREATE, note(0)+"\n{half")
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			got := newSink()
			done := start(ctx, Follow(path, nil, nil), got.emit)
			got.await(t, 1)
			tt.change(t, path)
			lines := got.await(t, 6)
			if !strings.Contains(lines[1], "torn: its 5 bytes") || !strings.Contains(lines[2], tt.want.Error()) || !strings.Contains(lines[2], path) {
				t.Errorf("the change was told as %q", lines[1:3])
			}
			if whole := slices.Concat(lines[:1], lines[3:]); !slices.Equal(whole, []string{note(0), note(7), note(8), note(9)}) {
				t.Errorf("got %q", whole)
			}
			cancel()
			if err := result(t, done); err != context.Canceled {
				t.Errorf("got %v", err)
			}
		})
	}
}

// Without a watcher, as on a network drive, polling alone finds what is new.
func TestFolderPolls(t *testing.T) {
	if err := watch(filepath.Join(t.TempDir(), "none")).wait(context.Background()); err != nil {
		t.Error(err)
	}
}

func write(t *testing.T, path string, flag int, text string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY|flag, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.WriteString(text)
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
}
