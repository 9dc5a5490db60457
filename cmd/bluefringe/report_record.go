package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"bluefringe/device"
	"bluefringe/device/event"
)

// recordSum is the length of a record's file and its SHA-256 (FIPS 180-4). Whatever has
// no length, such as a pipe, is refused: it may never end.
func recordSum(ctx context.Context, path string) (size int64, sum string, err error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return 0, "", usage(fmt.Errorf("no record %s", event.Clean(path)))
	case err != nil:
		return 0, "", err
	case !info.Mode().IsRegular():
		return 0, "", usage(fmt.Errorf("%s is no file: a report needs a finished record", event.Clean(path)))
	}
	f, err := os.Open(path)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	hash := sha256.New()
	size = info.Size()
	if _, err = io.Copy(hash, cancelled{ctx, io.NewSectionReader(f, 0, size)}); err != nil {
		return 0, "", err
	}
	return size, hex.EncodeToString(hash.Sum(nil)), nil
}

// grown tells whether a file is longer than it was.
func grown(path string, size int64) bool {
	info, err := os.Stat(path)
	return err == nil && info.Size() > size
}

// cancelled is a reader that ends with its context.
type cancelled struct {
	ctx context.Context
	io.Reader
}

func (c cancelled) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.Reader.Read(p)
}

// listener hears what a record holds besides spectra. It belongs to the goroutine that runs
// the source until that is done.
type listener struct {
	device.Source
	notes     bounded[event.Note]
	processes bounded[event.Process]
	ended     bool
	torn      bool
}

func newListener(source device.Source) *listener {
	return &listener{Source: source, notes: bounded[event.Note]{most: 200}, processes: bounded[event.Process]{most: 5000}}
}

func (t *listener) Run(ctx context.Context, emit func(device.Line) error) error {
	return t.Source.Run(ctx, func(line device.Line) error {
		var torn *device.TornError
		if errors.As(line.Err, &torn) {
			t.torn = true
		}
		if line.Err == nil {
			if e, err := event.Decode(line.Text); err == nil {
				t.hear(e)
			}
		}
		return emit(line)
	})
}

func (t *listener) hear(e event.Event) {
	if t.ended {
		return // the session ends there
	}
	switch body := e.Body.(type) {
	case event.Note:
		t.notes.add(body)
	case event.Process:
		t.processes.add(body)
	case event.End:
		t.ended = true
	}
}

// bounded keeps the first values and counts the others.
type bounded[T any] struct {
	most  int
	kept  []T
	extra int
}

func (b *bounded[T]) add(v T) {
	if len(b.kept) < b.most {
		b.kept = append(b.kept, v)
	} else {
		b.extra++
	}
}

// thinned keeps values evenly from first to last: whenever it is full, every second goes.
type thinned[T any] struct {
	most  int
	kept  []T
	every int // one in so many is kept
	seen  int
}

func (t *thinned[T]) add(v T) {
	t.every = max(1, t.every)
	if t.seen%t.every == 0 {
		if len(t.kept) == t.most {
			n := 0
			for i := 0; i < len(t.kept); i += 2 {
				t.kept[n] = t.kept[i]
				n++
			}
			t.kept = t.kept[:n]
			t.every *= 2
		}
		if t.seen%t.every == 0 {
			t.kept = append(t.kept, v)
		}
	}
	t.seen++
}
