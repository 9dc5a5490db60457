package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal"
	"bluefringe/removal/guide"
	"bluefringe/tui"
)

// faultLines bounds how many faults of a run are told in words; the rest is
// counted.
const faultLines = 20

// faultLog tells the first faults of a line in words and sums up at the end.
type faultLog struct {
	w    io.Writer
	told int
	last counts
}

func (f *faultLog) fault(err error) {
	f.told++
	switch {
	case f.told <= faultLines:
		fmt.Fprintf(f.w, "bluefringe: %s\n", event.Clean(err.Error()))
	case f.told == faultLines+1:
		fmt.Fprintln(f.w, "bluefringe: further faults of the line are only counted")
	}
}

func (f *faultLog) notice(text string) { fmt.Fprintf(f.w, "bluefringe: %s\n", event.Clean(text)) }

func (f *faultLog) heard(c counts, _ time.Time) { f.last = c }

// close sums up, if there is anything to say.
func (f *faultLog) close() {
	c := f.last
	if c.badLines+c.badCRC+c.refused+c.skipped > 0 {
		fmt.Fprintf(f.w, "bluefringe: %d spectra; lines that could not be used: %d not valid, %d with a wrong checksum; refused by calibration: %d; skipped: %d\n",
			c.spectra, c.badLines, c.badCRC, c.refused, c.skipped)
	}
}

// jsonSink writes estimate, forecast and advice lines.
type jsonSink struct {
	faultLog
	out           *bufio.Writer
	line          []byte
	estimatesOnly bool
}

func newJSONSink(st streams, estimatesOnly bool) *jsonSink {
	return &jsonSink{faultLog: faultLog{w: st.err}, out: bufio.NewWriter(st.out), estimatesOnly: estimatesOnly}
}

func (j *jsonSink) opened(event.Run, setup.Setup) {}

func (j *jsonSink) stepped(step guide.Step) error {
	if step.Estimate != nil {
		j.write(estimateLine(*step.Estimate))
	}
	if !j.estimatesOnly {
		j.write(forecastLine(step.Forecast))
		j.write(adviceLine(step.Advice))
	}
	// A reader beside the machine wants each step now.
	return j.out.Flush()
}

func (j *jsonSink) write(body event.Body) {
	line, err := event.Append(j.line[:0], body)
	if err != nil {
		j.fault(err)
		return
	}
	j.line = append(line, '\n')
	j.out.Write(j.line) // the error stays in the writer until Flush
}

// number returns a value for a line, rounded to decimals; nil when it does not
// exist.
func number(v float64, decimals int) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	scale := math.Pow10(decimals)
	v = math.Round(v*scale) / scale
	return &v
}

// Decimals of the values in lines: a tenth of the noise of the best spectrum.
const (
	decimalsUM   = 5
	decimalsNM   = 1
	decimalsS    = 2
	decimalsRate = 5
)

func estimateLine(e guide.Estimate) event.Estimate {
	return event.Estimate{
		TimeS: e.TimeS, Site: e.Site, Channel: e.Channel, Quality: e.Quality.String(),
		ThicknessUM: number(e.ThicknessUM, decimalsUM), SDUM: number(e.SDUM, decimalsUM),
		SpreadUM: number(e.SpreadUM, decimalsUM), EdgeNM: number(e.EdgeNM, decimalsNM),
	}
}

func forecastLine(f guide.Forecast) event.Forecast {
	return event.Forecast{
		TimeS: f.TimeS, Site: f.Site,
		ThicknessUM: number(f.ThicknessUM, decimalsUM), SDUM: number(f.SDUM, decimalsUM),
		RateUMMin: number(f.RateUMMin, decimalsRate), RateSDUMMin: number(f.RateSDUMMin, decimalsRate),
		ToTargetS: intervalLine(f.ToTargetS),
	}
}

func intervalLine(i removal.Interval) *event.Interval {
	line := event.Interval{P05: number(i.P05S, decimalsS), P50: number(i.P50S, decimalsS), P95: number(i.P95S, decimalsS)}
	if line == (event.Interval{}) {
		return nil
	}
	return &line
}

func adviceLine(a guide.Advice) event.Advice {
	return event.Advice{TimeS: a.TimeS, Advice: a.Level.String(), Rule: a.Rule, Reason: a.Reason,
		ThinnestUM: number(a.ThinnestUM, decimalsUM), Site: a.Site,
		NextStretchS: number(a.NextStretchS, decimalsS)}
}

// plainSink writes a line of words a second and one at each change of advice.
type plainSink struct {
	faultLog
	out   io.Writer
	plain tui.Plain
}

func (p *plainSink) opened(run event.Run, s setup.Setup) {
	fmt.Fprintln(p.w, caution)
	if run.Job != "" {
		fmt.Fprintf(p.w, "job %s, set-up %s\n", event.Clean(run.Job), event.Clean(s.Name))
	}
}

func (p *plainSink) stepped(step guide.Step) error {
	if !p.plain.Wants(step) {
		return nil
	}
	_, err := fmt.Fprintln(p.out, tui.PlainLine(step))
	return err
}
