// Package record writes run records: the lines received, unchanged, one after
// another.
//
// # What survives what
//
// Append copies the line into memory and returns; a goroutine hands it to the
// system at once and asks for it to be on the disk (fsync) once a second and on
// Close. So the reader never waits for a disk. A program that is killed loses
// the lines of the last moments, in general none; a computer that loses power
// loses at most about the last second. Either may cut the last line anywhere:
// device.File reads such a record up to its last whole line and says how much
// is torn.
//
// A disk that refuses (full, gone) does not stop the watch. The error is kept
// for Err, the writer tries again every second from the byte it got to, and
// lines wait in memory up to MaxPendingBytes; what comes on top is dropped as
// whole lines and counted.
package record

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// MaxPendingBytes bounds what waits in memory for a disk that does not take it.
const MaxPendingBytes = 64 << 20

// syncEvery is how often the record is forced onto the disk.
const syncEvery = time.Second

// Stats says how a record stands.
type Stats struct {
	Lines   int   // accepted
	Bytes   int64 // given to the system
	Pending int   // bytes that wait in memory
	Dropped int   // lines refused because too much was waiting
}

// Recorder appends lines to a record. Its methods may be called from several
// goroutines.
type Recorder struct {
	file  file
	path  string
	limit int           // of pending
	wake  chan struct{} // capacity 1: something waits
	done  chan struct{} // closed by Close
	end   chan struct{} // closed when the writer has ended

	mu      sync.Mutex
	pending []byte
	closed  bool
	stats   Stats
	err     error // the first
}

// file is what the recorder needs of an *os.File.
type file interface {
	Write([]byte) (int, error)
	Sync() error
	Close() error
}

// Create starts a record. An existing file is never overwritten: the error is
// then fs.ErrExist.
func Create(path string) (*Recorder, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("record %s exists already and is not overwritten: choose another name (%w)", path, fs.ErrExist)
	}
	if err != nil {
		return nil, fmt.Errorf("create record: %w", err)
	}
	syncFolder(filepath.Dir(path))
	return start(path, f, MaxPendingBytes), nil
}

func start(path string, f file, limit int) *Recorder {
	r := &Recorder{
		file: f, path: path, limit: limit,
		wake: make(chan struct{}, 1), done: make(chan struct{}), end: make(chan struct{}),
	}
	go r.write()
	return r
}

// Path returns the name of the record.
func (r *Recorder) Path() string { return r.path }

// Append adds one line, given without its '\n', before the line is used for
// anything. It keeps no reference to line and never waits for the disk. After
// Close, and for a line that holds a '\n', it does nothing but keep an error.
func (r *Recorder) Append(line []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.closed:
		r.fail(errors.New("a line came after the record was closed"))
		return
	case bytes.IndexByte(line, '\n') >= 0:
		r.fail(errors.New("a line with a line end inside was refused"))
		return
	case len(r.pending)+len(line)+1 > r.limit:
		r.stats.Dropped++
		r.fail(fmt.Errorf("the disk does not keep up: more than %d bytes wait, lines are dropped", r.limit))
		return
	}
	r.pending = append(append(r.pending, line...), '\n')
	r.stats.Lines++
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// Err returns the first error, nil while the record is whole. The record may be
// read while it is written.
func (r *Recorder) Err() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

// Stats returns how the record stands.
func (r *Recorder) Stats() Stats {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.stats
	s.Pending = len(r.pending)
	return s
}

// Close writes what waits, forces it onto the disk, closes the file and returns
// the first error of the record's life. A second Close returns the same.
func (r *Recorder) Close() error {
	r.mu.Lock()
	first := !r.closed
	r.closed = true
	r.mu.Unlock()
	if first {
		close(r.done)
	}
	<-r.end
	return r.Err()
}

// write is the goroutine that owns the file.
func (r *Recorder) write() {
	defer close(r.end)
	tick := time.NewTicker(syncEvery)
	defer tick.Stop()
	dirty := false
	healthy := true
	for {
		wake := r.wake
		if !healthy {
			wake = nil // the disk refused: try again at the next tick, not at every line
		}
		select {
		case <-wake:
			dirty = true
			healthy = r.flush()
		case <-tick.C:
			if !healthy {
				healthy = r.flush()
			}
			if dirty {
				r.note(r.file.Sync())
				dirty = !healthy
			}
		case <-r.done:
			r.flush()
			r.note(r.file.Sync())
			r.note(r.file.Close())
			return
		}
	}
}

// flush gives the system what waits; false when bytes are left.
func (r *Recorder) flush() bool {
	r.mu.Lock()
	batch := r.pending
	r.pending = nil
	r.mu.Unlock()
	if len(batch) == 0 {
		return true
	}
	n, err := r.file.Write(batch)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stats.Bytes += int64(n)
	if err == nil {
		return true
	}
	r.fail(err)
	// What the disk did not take goes first next time, so that the record has
	// no gap inside.
	r.pending = append(batch[n:], r.pending...)
	return false
}

func (r *Recorder) note(err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.fail(err)
}

// fail keeps the first error. The caller holds mu.
func (r *Recorder) fail(err error) {
	if r.err == nil && err != nil {
		r.err = fmt.Errorf("record %s: %w", r.path, err)
	}
}

// syncFolder makes the new file's name durable. Not every system can; without
// it a loss of power in the first seconds may lose the file.
func syncFolder(path string) {
	folder, err := os.Open(path)
	if err != nil {
		return
	}
	defer folder.Close()
	_ = folder.Sync()
}
