// Package record writes run records: the lines received, unchanged, one after
// another.
//
// # What is in a record
//
// Every line stands in it byte for byte as it was received. Beside these the recorder
// puts lines of its own, each before the line that it is about: first the set-up and
// the prior of the run, and the time of receipt, by the clock of the computer:
//
//	{"type":"received","at":"2026-03-02T08:00:00.250Z"}
//
// It goes before every line that comes 0.1 s or more after the last such time, so that
// slow lines all have their own and fast ones are known to 0.1 s at little cost. After
// the first it runs on with the time since then, whatever is done to the clock.
//
// # What survives what
//
// Receive copies the line into memory and returns; a goroutine hands it to the
// system at once and asks for it to be on the disk (fsync) once a second and on
// Close. So the reader never waits for a disk. A program that is killed loses
// the lines of the last moments, in general none, and none that Stats counts as
// Written; a computer that loses power loses at most about the last second. Either may
// cut the last line anywhere: device.File reads such a record up to its last whole line
// and says how much is torn, and Continue goes on after it.
//
// A disk that refuses (full, gone) does not stop the watch. The error is kept
// for Err, the writer tries again every second from the byte it got to, and
// lines wait in memory up to MaxPendingBytes; what comes on top is dropped as
// whole lines and counted. News tells of this, and before: that the disk will soon be
// full.
//
// One program writes to a record: it holds a lock of the system on it, which ends with
// the program, however that ends.
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

	"bluefringe/device/record/pack"
)

// MaxPendingBytes bounds what waits in memory for a disk that does not take it.
const MaxPendingBytes = 64 << 20

const (
	// syncEvery is how often the record is forced onto the disk.
	syncEvery = time.Second
	// timeEvery is how close together two times of receipt stand at most.
	timeEvery = 100 * time.Millisecond
)

// ErrInUse marks a record that another program writes to.
var ErrInUse = errors.New("another program writes to it")

// Stats says how a record stands. Times of receipt do not count as lines.
type Stats struct {
	Lines   int   // accepted
	Written int   // of these, given to the system as a whole: a killed program loses none of them
	Bytes   int64 // given to the system
	Pending int   // bytes that wait in memory
	Dropped int   // lines refused because too much was waiting
}

// Recorder appends lines to a record. Its methods may be called from several
// goroutines.
type Recorder struct {
	file  File
	path  string
	limit int           // of pending
	wake  chan struct{} // capacity 1: something waits
	done  chan struct{} // closed by Close
	end   chan struct{} // closed when the writer has ended
	news  chan string
	room  gauge

	mu      sync.Mutex
	pending []byte
	waiting int    // lines in pending
	spare   []byte // what pending was before
	firstAt time.Time
	timedAt time.Time // of the newest time of receipt
	closed  bool
	stats   Stats
	err     error // the first
}

// File is what a recorder needs of an *os.File.
type File interface {
	Write([]byte) (int, error)
	Sync() error
	Close() error
}

// Create starts a record. An existing file is never overwritten: the error is
// then fs.ErrExist.
func Create(path string) (*Recorder, error) {
	f, err := openAlone(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("record %s exists already and is not overwritten: choose another name, or go on with it (%w)", path, fs.ErrExist)
	}
	if err != nil {
		return nil, fmt.Errorf("create record: %w", err)
	}
	syncFolder(filepath.Dir(path))
	return start(path, f, MaxPendingBytes, diskOf(path)), nil
}

// Continue goes on with a record that exists. Nothing in it is changed: where its last
// line is torn, that line is ended where it stands, and torn is how long it is. The
// error is ErrInUse when another program writes to it.
func Continue(path string) (r *Recorder, torn int64, err error) {
	f, err := openAlone(path, os.O_RDWR|os.O_APPEND)
	if err == nil {
		torn, err = endLine(f)
		if err != nil {
			err = errors.Join(err, f.Close())
		}
	}
	if err != nil {
		return nil, 0, fmt.Errorf("go on with record %s: %w", path, err)
	}
	return start(path, f, MaxPendingBytes, diskOf(path)), torn, nil
}

// endLine ends the last line of a file that ends without '\n', and returns its length.
func endLine(f *os.File) (torn int64, err error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	if !info.Mode().IsRegular() {
		return 0, errors.New("it is no file")
	}
	size := info.Size()
	head := make([]byte, min(size, 4))
	if _, err := f.ReadAt(head, 0); err != nil {
		return 0, err
	}
	if pack.Compressed(head) {
		return 0, errors.New("it is compressed: its run is over")
	}
	chunk := make([]byte, 64<<10)
	for at := size; at > 0; {
		n := min(at, int64(len(chunk)))
		at -= n
		if _, err := f.ReadAt(chunk[:n], at); err != nil {
			return 0, err
		}
		if end := bytes.LastIndexByte(chunk[:n], '\n'); end >= 0 {
			torn = size - (at + int64(end) + 1)
			break
		}
		torn = size
	}
	if torn > 0 {
		_, err = f.Write([]byte{'\n'})
	}
	return torn, err
}

// To starts a record on what is open already; name is for messages. Close closes it.
func To(name string, f File) *Recorder { return start(name, f, MaxPendingBytes, gauge{}) }

func start(path string, f File, limit int, room gauge) *Recorder {
	r := &Recorder{
		file: f, path: path, limit: limit, room: room,
		wake: make(chan struct{}, 1), done: make(chan struct{}), end: make(chan struct{}), news: make(chan string, 16),
	}
	go r.write()
	return r
}

// Path returns the name of the record.
func (r *Recorder) Path() string { return r.path }

// News tells in words what the operator should know at once: that the disk gets full,
// that lines are not recorded, that they are again. What nobody fetches is dropped.
func (r *Recorder) News() <-chan string { return r.news }

// Receive adds one line that came at a time, given without its '\n', before the line is
// used for anything. It keeps no reference to line and never waits for the disk. After
// Close, and for a line that holds a '\n', it does nothing but keep an error.
func (r *Recorder) Receive(line []byte, at time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.firstAt.IsZero() {
		r.firstAt = at
	}
	var stamp []byte
	if r.timedAt.IsZero() || at.Sub(r.timedAt) >= timeEvery {
		wall := r.firstAt.Add(at.Sub(r.firstAt)).UTC()
		stamp = append(wall.AppendFormat([]byte(`{"type":"received","at":"`), "2006-01-02T15:04:05.000Z07:00"), "\"}\n"...)
	}
	if r.append(stamp, line) && stamp != nil {
		r.timedAt = at
	}
}

// Append adds a line of the program's own, as Receive does but without a time.
func (r *Recorder) Append(line []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.append(nil, line)
}

// append adds a line with what goes before it, both or none. The caller holds mu.
func (r *Recorder) append(before, line []byte) bool {
	switch {
	case r.closed:
		r.fail(errors.New("a line came after the record was closed"))
		return false
	case bytes.IndexByte(line, '\n') >= 0:
		r.fail(errors.New("a line with a line end inside was refused"))
		return false
	case len(r.pending)+len(before)+len(line)+1 > r.limit:
		if r.stats.Dropped++; r.stats.Dropped == 1 {
			r.tell(fmt.Sprintf("NOT RECORDED: the disk of %s does not keep up, lines are lost", r.path))
		}
		r.fail(fmt.Errorf("the disk does not keep up: more than %d bytes wait, lines are dropped", r.limit))
		return false
	}
	r.pending = append(append(append(r.pending, before...), line...), '\n')
	r.waiting++
	r.stats.Lines++
	select {
	case r.wake <- struct{}{}:
	default:
	}
	return true
}

// tell puts a text into News.
func (r *Recorder) tell(text string) {
	select {
	case r.news <- text:
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
	r.look(time.Now())
	for {
		wake := r.wake
		if !healthy {
			wake = nil // the disk refused: try again at the next tick, not at every line
		}
		select {
		case <-wake:
			dirty = true
			healthy = r.flush(healthy)
		case now := <-tick.C:
			if !healthy {
				healthy = r.flush(healthy)
			}
			if dirty {
				r.note(r.file.Sync())
				dirty = !healthy
			}
			r.look(now)
		case <-r.done:
			r.flush(healthy)
			r.note(r.file.Sync())
			r.note(r.file.Close())
			return
		}
	}
}

// look tells when the disk gets full.
func (r *Recorder) look(now time.Time) {
	r.mu.Lock()
	written := r.stats.Bytes
	r.mu.Unlock()
	if text := r.room.look(now, written); text != "" {
		r.tell(fmt.Sprintf("the disk of %s has %s", r.path, text))
	}
}

// flush gives the system what waits; false when bytes are left. wasHealthy is what the
// call before returned.
func (r *Recorder) flush(wasHealthy bool) (healthy bool) {
	r.mu.Lock()
	batch, lines := r.pending, r.waiting
	r.pending, r.spare, r.waiting = r.spare[:0], nil, 0
	r.mu.Unlock()
	if len(batch) == 0 {
		return true
	}
	n, err := r.file.Write(batch)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stats.Bytes += int64(n)
	if err == nil {
		r.stats.Written += lines
		if cap(batch) <= mostSpare {
			r.spare = batch
		}
		if !wasHealthy {
			r.tell(fmt.Sprintf("%s is recorded again, %d lines were lost", r.path, r.stats.Dropped))
		}
		return true
	}
	r.fail(err)
	if wasHealthy {
		r.tell(fmt.Sprintf("NOT RECORDED: %s: %v; up to %d MB wait in memory", r.path, err, r.limit>>20))
	}
	// What the disk did not take goes first next time, so that the record has
	// no gap inside.
	r.pending = append(batch[n:], r.pending...)
	r.waiting += lines
	return false
}

// mostSpare bounds the memory that is kept for the next lines.
const mostSpare = 1 << 20

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
