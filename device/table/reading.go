package table

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"bluefringe/device/table/export"
)

// reading is a way to read a sheet.
type reading struct {
	dialect
	layout   Layout
	score    int // of the abscissa, as Options.Plausible says
	likely   int // of columns: the same, whatever the abscissa is called
	top      int // line of the first number
	axisHead string
	series   []series
	notes    remarks
	seen     signs
	wide     *wideReader // only of wide tables
	header   int         // index of the row that a wide table has its wavelengths in
	rows     []int       // indices of the rows that columns were read from
}

// String says what the reading would be.
func (r *reading) String() string {
	if len(r.series) == 0 {
		return "nothing"
	}
	s := &r.series[0]
	n := len(s.X)
	decimal := ""
	if r.seen.decimals > 0 || r.seen.groups > 0 {
		decimal = ", decimal " + string(r.decimal)
	}
	return fmt.Sprintf("separator %s%s, layout %s: %s of %s from %g to %g, the first value %g",
		r.separator, decimal, r.layout, plural(len(r.series), "spectrum", "spectra"), plural(n, "point", "points"), s.X[0], s.X[n-1], s.Y[0])
}

// read finds the spectra of a sheet.
func (s *sheet) read(o *Options) (*reading, error) {
	var found []*reading
	var errs []error
	try := func(r *reading, err error) {
		if err != nil {
			errs = append(errs, err)
			return
		}
		r.dialect = s.dialect
		if r.unclear(s, o) {
			errs = append(errs, errGlued)
			return
		}
		found = append(found, r)
	}
	if o.Layout == "" || o.Layout == Columns || o.Layout == Pairs {
		try(s.columns(o))
	}
	if o.Layout == "" || o.Layout == Wide {
		try(s.wide(o))
	}
	if o.Layout == "" || o.Layout == Alternate {
		try(s.alternate(o))
	}
	if len(found) == 0 {
		return nil, worst(errs)
	}
	best := found[0]
	for _, r := range found[1:] {
		if r.layout != Wide || best.layout == Alternate {
			if r.score > best.score {
				best = r
			}
			continue
		}
		switch wide, ok := r.prefers(best); {
		case !ok:
			return nil, &AmbiguousError{[]string{best.String(), r.String()}, "--orientation columns or --orientation rows settles it"}
		case wide:
			best = r
		}
	}
	if best.score == 0 && worstIsSpecific(errs) {
		return nil, worst(errs)
	}
	return best, nil
}

// prefers decides between a wide table and columns; ok is false when both may be meant.
func (r *reading) prefers(columns *reading) (wide, ok bool) {
	// Numbers that rise or fall by chance are few.
	const few, many = 6, 12
	across, down := len(r.series[0].X), len(columns.series[0].X)
	longer := across >= many && down <= few
	// What looks like a row of wavelengths may be a line of the columns.
	inside := slices.Contains(columns.rows, r.header)
	corner := strings.ToLower(r.wide.corner())
	timeInCorner := strings.Contains(corner, "time") || strings.Contains(corner, "zeit") || strings.Contains(corner, "date")
	axisInCorner := export.NamesAxis(corner)
	switch {
	case inside && !longer && columns.likely >= r.score:
		return false, true
	case r.score != columns.score:
		return r.score > columns.score, true
	case longer:
		return true, true
	case inside, down >= many && across <= few:
		return false, true
	case timeInCorner != axisInCorner:
		return timeInCorner, true
	}
	return false, false
}

// errGlued says that commas may be separators and decimal signs at once.
var errGlued = errors.New("commas may stand between numbers and inside them: " +
	"--separator comma --decimal point says that every comma is a separator; otherwise export with a decimal point or with semicolons")

// unclear reports numbers without a fraction, separated by commas, that may be halves of
// numbers with a decimal comma.
func (r *reading) unclear(s *sheet, o *Options) bool {
	if r.separator != Comma || r.seen.decimals > 0 || r.layout == Alternate || o.Separator == Comma && o.Decimal == Point {
		return false
	}
	return r.layout != Wide && s.halves(r)
}

// halves looks at the columns of whole numbers: where they are halves, some have leading
// zeros, or are constant, or are of very different size, or come in no even number.
func (s *sheet) halves(r *reading) bool {
	rows := r.rows
	first := &s.rows[rows[0]]
	if first.width < 3 {
		return false
	}
	if rows[0] > 0 { // a header with a name for each column settles it
		above := &s.rows[rows[0]-1]
		if above.count(text, 0) == above.width && above.width > 1 {
			return above.width < first.width
		}
	}
	least, most := 0.0, 0.0
	for field := first.first + 1; field < first.width; field++ {
		sum, constant := 0.0, true
		for _, i := range rows {
			row := &s.rows[i]
			if row.width != first.width {
				return true
			}
			v := row.values[field]
			sum += max(v, -v)
			constant = constant && v == first.values[field]
		}
		mean := sum / float64(len(rows))
		if constant || mean == 0 {
			return true
		}
		if least == 0 || mean < least {
			least = mean
		}
		most = max(most, mean)
	}
	if most > 5*least {
		return true
	}
	for _, i := range rows {
		for j, f := range s.splitter.fieldsOf(s.rows[i].text) {
			if j > 0 && len(f) > 1 && f[0] == '0' {
				return true
			}
		}
	}
	return false
}

// worst picks the error that says most.
func worst(errs []error) error {
	for _, specific := range []bool{true, false} {
		for _, err := range errs {
			if isSpecific(err) == specific {
				return err
			}
		}
	}
	return export.ErrNone
}

func worstIsSpecific(errs []error) bool { return isSpecific(worst(errs)) }

func isSpecific(err error) bool {
	var line *LineError
	var many *AmbiguousError
	return errors.As(err, &line) || errors.As(err, &many) || errors.Is(err, errGlued)
}
