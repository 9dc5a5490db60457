package material

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Bounds of a table of the operator's own.
const (
	MaxTableBytes = 1 << 20

	minRows, maxRows       = 4, 10000
	minTableNM, maxTableNM = 100, 20000
	maxN, maxK             = 20, 100
	header                 = "wavelength_nm,n,k"
	samplesBetween         = 8 // points between two rows at which the spline is checked
	longestShown           = 40
)

// ParseTable reads a table of the operator's own: comma-separated values with the
// line "wavelength_nm,n,k", then one row a wavelength in nanometres, rising;
// lines that begin with '#' are its head. It has 4 to 10000 rows within 100 to
// 20000 nm, n above 0 to 20 and k 0 to 100 (n + ik). Between the rows it is the
// spline of the built-in tables, which must keep n above 0. An error names file
// and line, what was found and what is allowed.
func ParseTable(file string, data []byte) (*Material, error) {
	if len(data) > MaxTableBytes {
		return nil, fmt.Errorf("%s: found more than %d bytes, no table is that long", file, MaxTableBytes)
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	r.Comment, r.FieldsPerRecord, r.TrimLeadingSpace = '#', -1, true
	columns := make([][]float64, 3)
	named := false
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err) // names the line
		}
		line, _ := r.FieldPos(0)
		fault := func(found, allowed string) error {
			return fmt.Errorf("%s:%d: found %s: %s is allowed", file, line, found, allowed)
		}
		for i := range row {
			row[i] = strings.TrimSpace(row[i])
		}
		if !named {
			if named = strings.EqualFold(strings.Join(row, ","), header); !named {
				return nil, fault(strconv.Quote(shorten(strings.Join(row, ","))), "the line "+header)
			}
			continue
		}
		if len(row) != len(columns) {
			return nil, fault(fmt.Sprintf("%d values", len(row)), header)
		}
		if len(columns[0]) == maxRows {
			return nil, fault(fmt.Sprintf("more than %d rows", maxRows), fmt.Sprintf("%d to %d", minRows, maxRows))
		}
		var v [3]float64
		for i, cell := range row {
			if v[i], err = strconv.ParseFloat(cell, 64); err != nil {
				return nil, fault(strconv.Quote(shorten(cell)), "a number")
			}
		}
		last := 0.0
		if done := len(columns[0]); done > 0 {
			last = columns[0][done-1]
		}
		switch {
		case !(v[0] >= minTableNM && v[0] <= maxTableNM):
			return nil, fault(fmt.Sprintf("%g nm", v[0]), fmt.Sprintf("%d to %d nm", minTableNM, maxTableNM))
		case v[0] <= last:
			return nil, fault(fmt.Sprintf("%g nm after %g nm", v[0], last), "a rising wavelength")
		case !(v[1] > 0 && v[1] <= maxN):
			return nil, fault(fmt.Sprintf("n = %g", v[1]), fmt.Sprintf("above 0 and up to %d", maxN))
		case !(v[2] >= 0 && v[2] <= maxK):
			return nil, fault(fmt.Sprintf("k = %g", v[2]), fmt.Sprintf("0 to %d", maxK))
		}
		for i := range v {
			columns[i] = append(columns[i], v[i])
		}
	}
	if rows := len(columns[0]); rows < minRows {
		return nil, fmt.Errorf("%s: found %d rows: %d to %d below the line %s are allowed", file, rows, minRows, maxRows, header)
	}
	m, err := table{head: head(data), columns: columns}.material()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	if err := m.staysPositive(file, columns[0]); err != nil {
		return nil, err
	}
	return m, nil
}

// staysPositive checks the spline of n between the rows.
func (m *Material) staysPositive(file string, rows []float64) error {
	for i := 1; i < len(rows); i++ {
		for j := 1; j < samplesBetween; j++ {
			nm := rows[i-1] + (rows[i]-rows[i-1])*float64(j)/samplesBetween
			if n := m.n.Predict(nm); !(n > 0) {
				return fmt.Errorf("%s: found rows through which n swings to %.3g at %.1f nm: smoother or closer rows are needed", file, n, nm)
			}
		}
	}
	return nil
}

func shorten(s string) string {
	if r := []rune(s); len(r) > longestShown {
		return string(r[:longestShown]) + "…"
	}
	return s
}
