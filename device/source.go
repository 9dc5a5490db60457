// Package device brings event lines in from the world: a serial port, a file
// that grows, a folder that fills, a finished record, any reader.
//
// A source of event lines hands them on as they came and does not parse them;
// package event does that. What instruments send otherwise becomes event lines in
// package codec. Lines that cannot be handed on (too long, torn at the end) take
// their place in the order as a Line with an error, so that whoever runs the
// source can count and show them without stopping.
package device

import (
	"context"

	"bluefringe/device/codec"
)

// Line is one line from a source, or word of one that was lost.
type Line struct {
	Text []byte // without its '\n', otherwise as received; the receiver may keep it
	Err  error  // why there is no text: event.ErrTooLong, a *TornError, of package codec, *LostError
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

// TornError reports bytes at the end of the data that make no whole line.
type TornError = codec.TornError

// framer turns chunks into Lines.
type framer struct {
	decoder codec.Decoder
	emit    codec.Emit
}

// newFramer makes a framer that refuses lines once ctx is done: one chunk may
// hold many. A nil decoder means event lines.
func newFramer(ctx context.Context, decoder codec.Decoder, emit func(Line) error) *framer {
	if decoder == nil {
		decoder = codec.Events()
	}
	return &framer{decoder: decoder, emit: func(line []byte, err error) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err != nil {
			return emit(Line{Err: err})
		}
		return emit(Line{Text: append([]byte(nil), line...)})
	}}
}

func (f *framer) feed(chunk []byte) error { return f.decoder.Feed(chunk, f.emit) }

// finish deals with what stands after the last whole message.
func (f *framer) finish() error { return f.decoder.End(f.emit) }

// live tells a decoder that cares that what comes from now on is new.
func (f *framer) live() error {
	if d, ok := f.decoder.(interface{ Live(codec.Emit) error }); ok {
		return d.Live(f.emit)
	}
	return nil
}
