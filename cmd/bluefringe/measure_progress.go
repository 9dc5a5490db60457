package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"sync/atomic"
	"time"

	"bluefringe/device"
)

// countedSource counts the spectra that it hands on, for the progress.
type countedSource struct {
	device.Source
	size           int64
	bytes, spectra atomic.Int64
}

func (c *countedSource) Run(ctx context.Context, emit func(device.Line) error) error {
	return c.Source.Run(ctx, func(line device.Line) error {
		c.bytes.Add(int64(len(line.Text)) + 1)
		if bytes.Contains(line.Text, []byte(`"spectrum"`)) {
			c.spectra.Add(1)
		}
		return emit(line)
	})
}

// expected is how many spectra the whole file will give if it goes on as it began.
func (c *countedSource) expected() float64 {
	read := float64(max(1, c.bytes.Load()))
	return float64(c.spectra.Load()) * math.Max(1, float64(c.size)/read)
}

// progress tells on a terminal how far a long measurement is.
type progress struct {
	w      io.Writer
	shown  bool
	source *countedSource
	began  time.Time
	told   time.Time
	steps  int
	width  int // of the text that stands there
}

const (
	quietFor     = 2 * time.Second // shorter work needs no progress
	progressStep = 250 * time.Millisecond
)

func (p *progress) step() {
	p.steps++
	now := time.Now()
	if !p.shown || now.Sub(p.began) < quietFor || now.Sub(p.told) < progressStep {
		return
	}
	p.told = now
	expected := math.Max(p.source.expected(), float64(p.steps))
	left := time.Duration(float64(now.Sub(p.began)) * (expected/float64(p.steps) - 1)).Round(time.Second)
	text := fmt.Sprintf("bluefringe: %d of about %.0f spectra, %s left", p.steps, expected, left)
	fmt.Fprintf(p.w, "\r%-*s", p.width, text)
	p.width = len(text)
}

func (p *progress) clear() {
	if p.width > 0 {
		fmt.Fprintf(p.w, "\r%*s\r", p.width, "")
		p.width = 0
	}
}
