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

	"bluefringe/device/codec"
)

// What can happen to a file that is being followed.
var (
	ErrTruncated = errors.New("the file got shorter")
	ErrReplaced  = errors.New("the file was removed or replaced")
)

// pollEvery is how often a followed file is looked at where the system does not
// tell of changes (network drives, for one).
const pollEvery = 500 * time.Millisecond

// Follow reads a file from its start and goes on as it grows, until ctx is
// done. A line is handed on once its end has been written. A file that does not
// exist yet is waited for. Where the file is replaced or removed, the old one is
// read to its end and the new one from its start; one that gets shorter is read
// from its start again. Both are told as a Line with ErrReplaced or ErrTruncated;
// whether old lines came again shows in their times. Shortening it and writing
// more than before within half a second goes unseen.
//
// A nil decoder means event lines. A *codec.Wide is told when the file has been
// read up to what was there. notice, when not nil, is told in the goroutine of Run
// that the file is waited for.
func Follow(path string, decoder codec.Decoder, notice func(text string)) Source {
	if notice == nil {
		notice = func(string) {}
	}
	return &followSource{path: path, decoder: decoder, notice: notice}
}

type followSource struct {
	path    string
	decoder codec.Decoder
	notice  func(string)
}

func (s *followSource) Name() string { return s.path }

func (s *followSource) Run(ctx context.Context, emit func(Line) error) error {
	folder := watch(filepath.Dir(s.path))
	defer folder.stop()
	return s.follow(ctx, folder, emit)
}

func (s *followSource) follow(ctx context.Context, folder folder, emit func(Line) error) error {
	lines := newFramer(ctx, s.decoder, emit)
	for {
		f, err := s.open(ctx, folder, lines)
		if err != nil {
			return err
		}
		change, err := s.read(ctx, folder, lines, f)
		f.Close()
		if err != nil {
			return err
		}
		if err := emit(Line{Err: fmt.Errorf("follow %s: %w: what it holds now is read from its start", s.path, change)}); err != nil {
			return err
		}
	}
}

// read reads an open file until it is no longer what the path names or its start
// has changed, and returns which.
func (s *followSource) read(ctx context.Context, folder folder, lines *framer, f *os.File) (change, err error) {
	chunk := make([]byte, 64<<10)
	var offset int64
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n, err := f.Read(chunk)
		offset += int64(n)
		if err := lines.feed(chunk[:n]); err != nil {
			return nil, s.name(err)
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("read %s: %w", s.path, err)
		}
		if n > 0 {
			continue
		}
		if change != nil {
			return change, lines.finish()
		}
		if change, err = s.changed(f, offset); err != nil {
			return nil, err
		}
		if change != nil {
			continue // once more: bytes may have come before the change
		}
		if err := lines.live(); err != nil {
			return nil, err
		}
		if err := folder.wait(ctx); err != nil {
			return nil, err
		}
	}
}

// name puts the file's name before what a codec says of the whole file.
func (s *followSource) name(err error) error {
	for _, kind := range []error{codec.ErrTable, codec.ErrNumbers, codec.ErrPixels} {
		if errors.Is(err, kind) {
			return fmt.Errorf("%s: %w", s.path, err)
		}
	}
	return err
}

// open opens the file, once there is one.
func (s *followSource) open(ctx context.Context, folder folder, lines *framer) (*os.File, error) {
	told := false
	for {
		f, err := os.Open(s.path)
		if err == nil || !errors.Is(err, fs.ErrNotExist) {
			return f, err
		}
		if !told {
			told = true
			s.notice(fmt.Sprintf("waiting for %s: it does not exist yet", s.path))
			if err := lines.live(); err != nil {
				return nil, err
			}
		}
		if err := folder.wait(ctx); err != nil {
			return nil, err
		}
	}
}

// changed tells whether the path still names the open file and nothing before
// offset was cut off.
func (s *followSource) changed(f *os.File, offset int64) (change, err error) {
	here, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("follow %s: %w", s.path, err)
	}
	named, err := os.Stat(s.path)
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("follow %s: %w", s.path, err)
	case err != nil || !os.SameFile(here, named):
		return ErrReplaced, nil
	case here.Size() < offset:
		return ErrTruncated, nil
	}
	return nil, nil
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
