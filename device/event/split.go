package event

import (
	"bytes"
	"fmt"
)

// MaxLineBytes bounds one line without its '\n': MaxPixels values of 64 bytes.
const MaxLineBytes = 4 << 20

// Splitter cuts a stream of chunks into lines. The zero value is ready. It
// holds at most one line; a line longer than MaxLineBytes is not stored but
// dropped up to its end.
type Splitter struct {
	part []byte // the start of a line whose end has not come yet
	lost int    // bytes of an over-long line dropped so far; 0: none is being dropped
}

// Feed calls emit for every line that chunk completes, without its '\n'. The
// line is valid only during the call. As soon as a line proves too long, emit
// gets ErrTooLong in its place. When emit returns an error, Feed stops, drops
// the rest of the chunk and returns it.
func (s *Splitter) Feed(chunk []byte, emit func(line []byte, err error) error) error {
	for len(chunk) > 0 {
		end := bytes.IndexByte(chunk, '\n')
		if end < 0 {
			return s.keep(chunk, emit)
		}
		line := chunk[:end]
		chunk = chunk[end+1:]
		if err := s.complete(line, emit); err != nil {
			return err
		}
	}
	return nil
}

// Rest returns the line begun but not ended, and its size so far. The text is
// nil when it is already too long to be kept.
func (s *Splitter) Rest() (text []byte, size int) {
	if s.lost > 0 {
		return nil, s.lost
	}
	return s.part, len(s.part)
}

// complete ends the current line with tail.
func (s *Splitter) complete(tail []byte, emit func([]byte, error) error) error {
	line := tail
	switch {
	case s.lost > 0:
		s.lost = 0
		return nil
	case len(s.part)+len(tail) > MaxLineBytes:
		s.part = s.part[:0]
		return emit(nil, tooLong())
	case len(s.part) > 0:
		line = append(s.part, tail...)
		s.part = line[:0]
	}
	return emit(line, nil)
}

// keep stores the start of a line for the next chunk.
func (s *Splitter) keep(head []byte, emit func([]byte, error) error) error {
	if s.lost > 0 {
		s.lost += len(head)
		return nil
	}
	if len(s.part)+len(head) > MaxLineBytes {
		s.lost = len(s.part) + len(head)
		s.part = nil
		return emit(nil, tooLong())
	}
	s.part = append(s.part, head...)
	return nil
}

func tooLong() error {
	return fmt.Errorf("%w: at most %d bytes are allowed", ErrTooLong, MaxLineBytes)
}
