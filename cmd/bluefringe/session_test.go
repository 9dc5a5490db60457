package main

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
)

// breaking is a source that breaks off in mid-run.
type breaking struct{ lines []string }

var errBroken = errors.New("broken off")

func (breaking) Name() string { return "breaking" }

func (b breaking) Run(ctx context.Context, emit func(device.Line) error) error {
	for _, line := range b.lines {
		if err := emit(device.Line{Text: []byte(line)}); err != nil {
			return err
		}
	}
	return errBroken
}

// stepSink keeps steps and calls enough when there are more than wanted.
type stepSink struct {
	steps  []guide.Step
	wanted int
	enough func()
}

func (s *stepSink) opened(event.Run, setup.Setup) {}
func (s *stepSink) notice(string)                 {}
func (s *stepSink) fault(error)                   {}
func (s *stepSink) heard(counts, time.Time)       {}
func (s *stepSink) stepped(step guide.Step) error {
	s.steps = append(s.steps, step)
	if len(s.steps) == s.wanted {
		s.enough()
	}
	return nil
}

// When the line breaks off with the pad on the die, run time goes on and with it the
// forecast and the advice, until the operator leaves; then the session tells why.
func TestAdviceGoesOnWithoutTheLine(t *testing.T) {
	r := makeRun(t)
	lines := r.lines[:40]
	spectra := 0
	for _, line := range lines {
		spectra += strings.Count(line, `"type":"spectrum"`)
	}
	set, err := setup.Parse("test", []byte(r.setup))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	var lost error
	sink := &stepSink{wanted: spectra + 4, enough: cancel} // one at touch-down, three blind ones
	s := &session{source: breaking{lines}, setup: &set, clock: 5, lossless: true, sink: sink, lost: func(err error) { lost = err }}
	if err := s.run(ctx, nil); !errors.Is(err, errBroken) {
		t.Errorf("the session ended with %v", err)
	}
	if !errors.Is(lost, errBroken) {
		t.Errorf("lost was told %v", lost)
	}
	if len(sink.steps) < sink.wanted {
		t.Fatalf("%d steps, want %d", len(sink.steps), sink.wanted)
	}
	last, before := sink.steps[len(sink.steps)-1], sink.steps[len(sink.steps)-2]
	if last.Estimate != nil || !last.Forecast.Contact || !(last.Forecast.ThicknessUM < before.Forecast.ThicknessUM) {
		t.Errorf("without the line the forecast stands still: %+v", last.Forecast)
	}
}
