package device

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/fsnotify/fsnotify"
)

// What can happen to a file that is being followed. Bytes already read cannot
// be matched with the new content, so the source stops.
var (
	ErrTruncated = errors.New("the file got shorter while it was followed")
	ErrReplaced  = errors.New("the file was removed or replaced while it was followed")
)

// pollEvery is how often a followed file is looked at where the system does not
// tell of changes (network drives, for one).
const pollEvery = 500 * time.Millisecond

// Follow reads a file from its start and goes on as it grows, until ctx is
// done. A line is handed on once its end has been written. A file that does not
// exist yet is waited for; notice, when not nil, is then told so once, in the
// goroutine of Run. A file that gets shorter or is replaced ends Run with
// ErrTruncated or ErrReplaced. Shortening it and writing more than before
// within half a second goes unseen.
func Follow(path string, notice func(text string)) Source {
	if notice == nil {
		notice = func(string) {}
	}
	return &followSource{path: path, notice: notice}
}

type followSource struct {
	path   string
	notice func(string)
}

func (s *followSource) Name() string { return s.path }

func (s *followSource) Run(ctx context.Context, emit func(Line) error) error {
	folder := watch(filepath.Dir(s.path))
	defer folder.stop()
	f, err := s.open(ctx, folder)
	if err != nil {
		return err
	}
	defer f.Close()
	lines := newFramer(ctx, emit)
	chunk := make([]byte, 64<<10)
	var offset int64
	var gone error
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := f.Read(chunk)
		offset += int64(n)
		if err := lines.feed(chunk[:n]); err != nil {
			return err
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("read %s: %w", s.path, err)
		}
		if n > 0 {
			continue
		}
		if gone != nil {
			if err := lines.finish(); err != nil {
				return err
			}
			return gone
		}
		if gone = s.same(f, offset); gone != nil {
			continue // once more: bytes may have come before the change
		}
		if err := folder.wait(ctx); err != nil {
			return err
		}
	}
}

func (s *followSource) open(ctx context.Context, folder folder) (*os.File, error) {
	told := false
	for {
		f, err := os.Open(s.path)
		if err == nil || !errors.Is(err, fs.ErrNotExist) {
			return f, err
		}
		if !told {
			told = true
			s.notice(fmt.Sprintf("waiting for %s: it does not exist yet", s.path))
		}
		if err := folder.wait(ctx); err != nil {
			return nil, err
		}
	}
}

// same checks that the path still names the open file and that nothing before
// offset was cut off.
func (s *followSource) same(f *os.File, offset int64) error {
	here, err := f.Stat()
	if err != nil {
		return fmt.Errorf("follow %s: %w", s.path, err)
	}
	named, err := os.Stat(s.path)
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("follow %s: %w", s.path, err)
	case err != nil || !os.SameFile(here, named):
		return fmt.Errorf("follow %s: %w", s.path, ErrReplaced)
	case here.Size() < offset:
		return fmt.Errorf("follow %s: %w: %d bytes were read, it now has %d", s.path, ErrTruncated, offset, here.Size())
	}
	return nil
}

// folder tells of changes in a folder. Without a watcher its channels are nil
// and polling alone finds the changes.
type folder struct {
	events <-chan fsnotify.Event
	errors <-chan error
	stop   func()
}

func watch(path string) folder {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return folder{stop: func() {}}
	}
	if err := w.Add(path); err != nil {
		w.Close()
		return folder{stop: func() {}}
	}
	return folder{w.Events, w.Errors, func() { w.Close() }}
}

// wait returns at the next change or poll, or with ctx's error.
func (f folder) wait(ctx context.Context) error {
	poll := time.NewTimer(pollEvery)
	defer poll.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-poll.C:
	case <-f.events:
	case <-f.errors: // the poll covers what the watcher missed
	}
	return nil
}
