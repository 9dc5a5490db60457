package device

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"bluefringe/device/record/pack"
)

// Reader reads lines from r until its end: standard input, or a record held in
// memory. Reading happens in a goroutine of its own, so that ctx ends Run even
// while r blocks; that goroutine then lasts until its read returns, for
// standard input possibly until the process ends. Run does not close r.
func Reader(name string, r io.Reader) Source {
	return &readerSource{name: name, r: r}
}

type readerSource struct {
	name string
	r    io.Reader
}

func (s *readerSource) Name() string { return s.name }

func (s *readerSource) Run(ctx context.Context, emit func(Line) error) error {
	type piece struct {
		text []byte
		err  error
	}
	pieces := make(chan piece)
	done := make(chan struct{})
	defer close(done)
	go func() {
		for {
			chunk := make([]byte, 32<<10)
			n, err := s.r.Read(chunk)
			select {
			case pieces <- piece{chunk[:n], err}:
			case <-done:
				return
			}
			if err != nil {
				return
			}
		}
	}()
	lines := newFramer(ctx, nil, emit)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case p := <-pieces:
			if err := lines.feed(p.text); err != nil {
				return err
			}
			if p.err != nil {
				return endOfData(s.name, lines, p.err)
			}
		}
	}
}

// File reads a finished record from its start to its end, decompressed where it is
// compressed (gzip, zstd). A last line that is
// torn, as a crash leaves it, becomes a Line with a *TornError; the file itself
// is not changed.
func File(path string) Source {
	return &fileSource{path: path}
}

type fileSource struct{ path string }

func (s *fileSource) Name() string { return s.path }

func (s *fileSource) Run(ctx context.Context, emit func(Line) error) error {
	f, err := pack.Open(s.path)
	if err != nil {
		return err
	}
	defer f.Close()
	lines := newFramer(ctx, nil, emit)
	chunk := make([]byte, 64<<10)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, readErr := f.Read(chunk)
		if err := lines.feed(chunk[:n]); err != nil {
			return err
		}
		if readErr != nil {
			return endOfData(s.path, lines, readErr)
		}
	}
}

// endOfData hands on what is left and turns io.EOF into a good end.
func endOfData(name string, lines *framer, readErr error) error {
	if err := lines.finish(); err != nil {
		return err
	}
	var named *fs.PathError // says itself what was read
	switch {
	case errors.Is(readErr, io.EOF):
		return nil
	case errors.As(readErr, &named):
		return readErr
	}
	return fmt.Errorf("read %s: %w", name, readErr)
}
