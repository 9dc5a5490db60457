// Package device brings event lines in from the world: a serial port, a file
// that grows, a finished record, any reader.
//
// A source hands on lines as they came and does not parse them; package event
// does that. Lines that cannot be handed on (too long, torn at the end) take
// their place in the order as a Line with an error, so that whoever runs the
// source can count and show them without stopping.
package device

import (
	"context"
	"errors"
	"fmt"

	"bluefringe/device/event"
)

// Line is one line from a source, or word of one that was lost.
type Line struct {
	Text []byte // without its '\n', otherwise as received; the receiver may keep it
	Err  error  // why there is no text: event.ErrTooLong or a *TornError
}

// Source gives lines in order.
type Source interface {
	// Name says where the lines come from, for the screen.
	Name() string
	// Run calls emit for every line, always from the goroutine that called
	// Run. It returns nil at the end of the data, ctx.Err() when ctx is done,
	// emit's error when emit fails, and otherwise why the source failed.
	// A source runs once.
	Run(ctx context.Context, emit func(Line) error) error
}

// TornError reports bytes at the end of the data that make no whole line, as a
// crash or a pulled cable leaves them.
type TornError struct{ Bytes int }

func (e *TornError) Error() string {
	return fmt.Sprintf("the last line is torn: its %d bytes were dropped", e.Bytes)
}

// framer turns chunks into Lines.
type framer struct {
	splitter event.Splitter
	emit     func(Line) error
}

// newFramer makes a framer that refuses lines once ctx is done: one chunk may
// hold many.
func newFramer(ctx context.Context, emit func(Line) error) *framer {
	return &framer{emit: func(line Line) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return emit(line)
	}}
}

func (f *framer) feed(chunk []byte) error {
	return f.splitter.Feed(chunk, func(line []byte, err error) error {
		if err != nil {
			return f.emit(Line{Err: err})
		}
		return f.emit(Line{Text: append([]byte(nil), line...)})
	})
}

// finish deals with what stands after the last '\n'. An event that is whole but
// for its line end is handed on: no event cut short is a valid one, since its
// closing brace comes last. Everything else is torn.
func (f *framer) finish() error {
	rest, size := f.splitter.Rest()
	if size == 0 {
		return nil
	}
	if _, err := event.Decode(rest); err == nil {
		return f.emit(Line{Text: append([]byte(nil), rest...)})
	} else if errors.Is(err, event.ErrBlank) {
		return nil
	}
	return f.emit(Line{Err: &TornError{Bytes: size}})
}
