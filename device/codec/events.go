package codec

import (
	"errors"

	"bluefringe/device/event"
)

// events hands on lines as they came; package event reads them.
type events struct{ lines event.Splitter }

func (d *events) Feed(chunk []byte, emit Emit) error { return d.lines.Feed(chunk, emit) }

// End hands on an event that is whole but for its line end: no event cut short is
// a valid one, since its closing brace comes last. Everything else is torn.
func (d *events) End(emit Emit) error {
	rest, size := d.lines.Rest()
	d.lines = event.Splitter{}
	if size == 0 {
		return nil
	}
	if _, err := event.Decode(rest); err == nil {
		return emit(rest, nil)
	} else if errors.Is(err, event.ErrBlank) {
		return nil
	}
	return emit(nil, &TornError{Bytes: size})
}
