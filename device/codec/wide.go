package codec

import (
	"bytes"
	"fmt"

	"bluefringe/device/event"
)

// Wide reads a table that grows: wavelengths in nm in the first row, then a
// spectrum a row. Where the first cell of the first row is "time_s", the first
// column is the time in seconds; else a row is given the time at which it came.
// Cells are separated as in Numbers; blank lines and lines that begin with '#' are
// passed over. It gives a run line with the wavelengths, then spectrum lines.
type Wide struct {
	spectra Spectra
	series  *Series
	lines   event.Splitter
	opened  bool // the first row has come
	timed   bool // it begins with time_s
	live    bool
	undated int // rows from before Live that have no time
}

const timeColumn = "time_s"

// NewWide returns the decoder of a table. ClockS gives the times of rows without
// one.
func NewWide(spectra Spectra) (*Wide, error) {
	check := spectra
	check.Pixels = max(check.Pixels, 1) // 0: any number
	if err := check.check(); err != nil {
		return nil, err
	}
	return &Wide{spectra: spectra, series: NewSeries(spectra)}, nil
}

// Feed implements Decoder. A first row that holds no wavelengths is an error of the
// whole table.
func (d *Wide) Feed(chunk []byte, emit Emit) error {
	return d.lines.Feed(chunk, func(line []byte, err error) error {
		line = bytes.Trim(line, blanks)
		switch {
		case !d.opened:
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
			if err == nil && (len(line) == 0 || line[0] == '#') {
				return nil
			}
			return d.head(line, err, emit)
		case err != nil:
			return emit(nil, err)
		case len(line) == 0 || line[0] == '#':
			return nil
		}
		if line, err = d.row(line); err != nil {
			return emit(nil, err)
		} else if line == nil {
			return nil
		}
		return emit(line, nil)
	})
}

func (d *Wide) head(line []byte, err error, emit Emit) error {
	if err != nil {
		return err
	}
	fields, err := split(line)
	if err != nil {
		return fmt.Errorf("first row: %w", err)
	}
	d.timed = string(fields[0]) == timeColumn
	if d.timed {
		fields = fields[1:]
	}
	wavelengthNM := make(event.Values, len(fields))
	for i, field := range fields {
		if wavelengthNM[i], err = parseNumber(field); err != nil {
			return fmt.Errorf("first row: %w: it must hold wavelengths in nm, and may begin with %s: cell %d is %w", ErrTable, timeColumn, i+1, err)
		}
	}
	run, err := d.series.Open(wavelengthNM)
	if err != nil {
		return fmt.Errorf("first row: %w", err)
	}
	d.opened = true
	if run == nil {
		return nil // the same table goes on in a new file
	}
	return emit(run, nil)
}

// row returns nil for a row that is too old for the clock to know its time.
func (d *Wide) row(line []byte) ([]byte, error) {
	values, err := Numbers(line)
	if err != nil {
		return nil, err
	}
	timeS := 0.0
	switch {
	case d.timed:
		timeS, values = values[0], values[1:]
	case d.live:
		timeS = d.spectra.ClockS()
	default:
		d.undated++
		return nil, nil
	}
	return d.series.Line(timeS, values)
}

// Live says that what comes from now on is new. Rows before it that have no time
// are not used, and told.
func (d *Wide) Live(emit Emit) error {
	if d.live {
		return nil
	}
	d.live = true
	if d.undated == 0 {
		return nil
	}
	return emit(nil, fmt.Errorf("%w: found %d rows that were there already and have no time: they are not used; a first column %s would give them one", ErrOrder, d.undated, timeColumn))
}

// End drops a row without its end: its last number may have been cut.
func (d *Wide) End(emit Emit) error {
	_, size := d.lines.Rest()
	d.lines, d.opened = event.Splitter{}, false
	if size == 0 {
		return nil
	}
	return emit(nil, &TornError{Bytes: size})
}
