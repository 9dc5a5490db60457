package main

import (
	"bufio"
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/table/export"
)

// importedRun is a run made of exports.
type importedRun struct {
	job         string
	channelName string // "" names channels by wavelength
	material    string // of references
	started     time.Time
	channels    []*importedChannel
	spectra     []importedSpectrum
	notes       []string
	moreNotes   int
}

// importedChannel is one axis.
type importedChannel struct {
	name            string
	wavelengthNM    []float64
	dark, reference pixelMean
	counted         bool // it has spectra in counts
}

type importedSpectrum struct {
	export.Spectrum
	file    string
	channel *importedChannel
	timeS   float64
}

// note keeps what was taken for granted, for the record.
func (r *importedRun) note(path, note string) {
	const most = 50
	text := event.Clean(filepath.Base(path) + ": " + note)
	switch {
	case slices.Contains(r.notes, text):
	case len(r.notes) == most:
		r.moreNotes++
	default:
		r.notes = append(r.notes, text)
	}
}

// add takes a spectrum; a new axis opens a channel.
func (r *importedRun) add(path string, s export.Spectrum) error {
	if len(s.Site) > event.MaxNameBytes || event.Clean(s.Site) != s.Site {
		return fmt.Errorf("found the site %q: up to %d bytes of printable text are allowed: --site names one", event.Clean(s.Site), event.MaxNameBytes)
	}
	c := r.channel(s.WavelengthNM)
	if c == nil {
		if len(r.channels) == event.MaxChannels {
			return fmt.Errorf("found more than %d different axes: import files of one instrument at a time", event.MaxChannels)
		}
		c = &importedChannel{name: r.freshName(s.WavelengthNM), wavelengthNM: s.WavelengthNM}
		r.channels = append(r.channels, c)
	}
	switch s.Role {
	case export.Dark:
		c.dark.add(s.Values)
	case export.Reference:
		c.reference.add(s.Values)
	default:
		c.counted = c.counted || s.Counted
		r.spectra = append(r.spectra, importedSpectrum{Spectrum: s, file: path, channel: c})
	}
	return nil
}

// channel finds the channel of an axis; nil when there is none.
func (r *importedRun) channel(wavelengthNM []float64) *importedChannel {
	const same = 1e-3 // nm, a rounding
	for _, c := range r.channels {
		if &c.wavelengthNM[0] == &wavelengthNM[0] || slices.EqualFunc(c.wavelengthNM, wavelengthNM, func(a, b float64) bool { return math.Abs(a-b) <= same }) {
			return c
		}
	}
	return nil
}

// freshName names the channel of an axis; further axes get a number.
func (r *importedRun) freshName(wavelengthNM []float64) string {
	const nirFromNM = 1000
	name := r.channelName
	if name == "" {
		name = "vis"
		if min(wavelengthNM[0], wavelengthNM[len(wavelengthNM)-1]) >= nirFromNM {
			name = "nir"
		}
	}
	base := name
	for n := 2; slices.ContainsFunc(r.channels, func(c *importedChannel) bool { return c.name == name }); n++ {
		name = fmt.Sprintf("%s-%d", base, n)
	}
	return name
}

// order gives every spectrum its time: that of the files, where all have one, or one after
// the other. It says which.
func (r *importedRun) order(timed bool, intervalS float64) string {
	moments, seconds := timed, timed
	for _, s := range r.spectra {
		moments = moments && !s.When.IsZero()
		seconds = seconds && s.Timed && s.file == r.spectra[0].file
	}
	if moments {
		moments = slices.ContainsFunc(r.spectra, func(s importedSpectrum) bool { return !s.When.Equal(r.spectra[0].When) }) || len(r.spectra) == 1
	}
	switch {
	case moments:
		slices.SortStableFunc(r.spectra, func(a, b importedSpectrum) int { return a.When.Compare(b.When) })
		r.started = r.spectra[0].When
		for i := range r.spectra {
			r.spectra[i].timeS = r.spectra[i].When.Sub(r.started).Seconds()
		}
		return "times are those of the files (--interval-s overrides)"
	case seconds:
		slices.SortStableFunc(r.spectra, func(a, b importedSpectrum) int { return cmp.Compare(a.TimeS, b.TimeS) })
		for i := range r.spectra {
			r.spectra[i].timeS = r.spectra[i].TimeS - r.spectra[0].TimeS
		}
		return "times are those of the file, from 0 (--interval-s overrides)"
	}
	for i := range r.spectra {
		r.spectra[i].timeS = float64(i) * intervalS
	}
	if len(r.spectra) == 1 {
		return "one spectrum, at 0 s"
	}
	return fmt.Sprintf("%d spectra in the order found, %g s apart (--interval-s)", len(r.spectra), intervalS)
}

// missing says what the run cannot be measured without.
func (r *importedRun) missing() []string {
	var out []string
	if len(r.channels) > 1 {
		var names []string
		for _, c := range r.channels {
			names = append(names, fmt.Sprintf("%s (%s)", c.name, axisOf(c.wavelengthNM)))
		}
		const most = 5
		if len(names) > most {
			names = append(names[:most], "…")
		}
		out = append(out, "the axes differ, so that each has its channel: "+join(names))
	}
	for _, c := range r.channels {
		switch {
		case !c.counted:
		case c.dark.n == 0 && c.reference.n == 0:
			out = append(out, fmt.Sprintf("channel %s is in counts: to be measured it needs --dark and --reference, or a set-up with [calibration]", c.name))
		case c.dark.n == 0:
			out = append(out, fmt.Sprintf("channel %s has a reference and no dark: to be measured it needs --dark", c.name))
		case c.reference.n == 0:
			out = append(out, fmt.Sprintf("channel %s has a dark and no reference: to be measured it needs --reference", c.name))
		default:
			out = append(out, fmt.Sprintf("the reference of channel %s is taken for bare %s (--reference-material)", c.name, r.material))
		}
	}
	return out
}

// write writes the run as event lines.
func (r *importedRun) write(w *bufio.Writer) error {
	run := event.Run{Format: event.Format, Job: r.job, Started: r.started.UTC(), Channels: map[string]event.Channel{}}
	for _, c := range r.channels {
		run.Channels[c.name] = event.Channel{WavelengthNM: c.wavelengthNM}
	}
	lines := eventLines{w: w}
	lines.write(run)
	for _, note := range r.notes {
		lines.write(event.Note{Text: note})
	}
	if r.moreNotes > 0 {
		lines.write(event.Note{Text: fmt.Sprintf("%d more notes of the import are left out", r.moreNotes)})
	}
	for _, c := range r.channels {
		if c.dark.n > 0 {
			lines.write(event.Dark{Channel: c.name, Counts: c.dark.mean()})
		}
		if c.reference.n > 0 {
			lines.write(event.Reference{Channel: c.name, Material: r.material, Counts: c.reference.mean()})
		}
	}
	end := 0.0
	for _, s := range r.spectra {
		if s.Name != "" && len(r.spectra) > 1 {
			lines.write(event.Note{TimeS: s.timeS, Text: "spectrum " + event.Clean(s.Name)})
		}
		e := event.Spectrum{TimeS: s.timeS, Channel: s.channel.name, Site: s.Site}
		if s.Counted {
			e.Counts = s.Values
		} else {
			e.Reflectance = s.Values
		}
		lines.write(e)
		end = s.timeS
	}
	lines.write(event.End{TimeS: end})
	return lines.err
}

// eventLines writes events and keeps the first error.
type eventLines struct {
	w    *bufio.Writer
	line []byte
	err  error
}

func (l *eventLines) write(body event.Body) {
	if l.err != nil {
		return
	}
	if l.line, l.err = event.Append(l.line[:0], body); l.err != nil {
		return
	}
	if n := len(l.line); n > event.MaxLineBytes {
		l.err = fmt.Errorf("an event line would have %d bytes, at most %d are allowed: import fewer axes or points at a time", n, event.MaxLineBytes)
		return
	}
	l.line = append(l.line, '\n')
	_, l.err = l.w.Write(l.line)
}

// pixelMean averages spectra; NaN stays out of a pixel's mean.
type pixelMean struct {
	sum, count []float64
	n          int
}

func (m *pixelMean) add(values []float64) {
	if m.sum == nil {
		m.sum, m.count = make([]float64, len(values)), make([]float64, len(values))
	}
	m.n++
	for i, v := range values {
		if !math.IsNaN(v) {
			m.sum[i] += v
			m.count[i]++
		}
	}
}

func (m *pixelMean) mean() []float64 {
	out := make([]float64, len(m.sum))
	for i := range out {
		out[i] = m.sum[i] / m.count[i] // 0/0 is NaN: no value
	}
	return out
}
