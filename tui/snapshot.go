package tui

import (
	"math"
	"sync/atomic"
	"time"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
)

// State says where the data come from at this moment.
type State int

// The states of a session.
const (
	Waiting  State = iota // no step yet
	Live                  // data come in
	Ended                 // the source came to its end
	LineLost              // the source broke off; the session tries again
)

// String returns the words shown in the header.
func (s State) String() string {
	switch s {
	case Waiting:
		return "waiting for data"
	case Live:
		return "live"
	case Ended:
		return "ended"
	case LineLost:
		return "line lost"
	}
	return "unknown state"
}

// Snapshot is everything the screen draws. It is not changed after it was
// published; slices and pointers in it are shared and only read.
// A number that does not exist is NaN.
type Snapshot struct {
	Job       string
	Source    string // "serial ttyUSB0", "demo"
	State     State
	StateText string // detail of State, may be empty: "trying again in 2 s"

	TargetUM         float64 // NaN or 0: not set
	FloorUM          float64 // NaN or 0: not set
	StartThicknessUM float64 // NaN or 0: not known

	Step     guide.Step      // the newest
	Thinnest *guide.Forecast // newest forecast of the thinnest site; nil: Step.Forecast is it
	Estimate *guide.Estimate // newest with a Picture, nil before the first; may be older than Step
	Sites    []Site
	History  *History // of the thinnest track, may be nil
	Album    *Album   // past estimates, may be nil
	Log      *Log     // what happened, may be nil

	Host        Host // of the command that guides the screen, zero for a live watch
	Health      Health
	Recording   string // path of the record, empty when nothing is recorded
	RecordError string
	Received    time.Time // wall time of the newest line; zero: unknown, or age means nothing (replay)
	Stepped     time.Time // wall time of Step, which comes while the line is silent too; zero: that of Received
}

// Site is what is known of one place on the die.
type Site struct {
	Name        string
	XMM, YMM    float64 // from the middle of the die
	ThicknessUM float64
	SDUM        float64
	TimeS       float64 // of its newest estimate
	Quality     estimate.Quality

	Forecast     guide.Forecast      // newest
	Estimate     *guide.Estimate     // newest, may be nil
	Disagreement *guide.Disagreement // of the newest estimate; nil: none
	History      *History            // of this place, may be nil
}

// Health counts what came over the line.
type Health struct {
	Spectra  int
	BadLines int // not valid
	BadCRC   int
	Refused  int // spectra of a wrong length, or without dark or reference
	Skipped  int // valid lines of types this program does not know

	RateHz    float64 // spectra per second of late
	LastFault string
}

// thinnest returns the forecast that the large number and the time left show.
func (s *Snapshot) thinnest() guide.Forecast {
	if s.Thinnest != nil {
		return *s.Thinnest
	}
	return s.Step.Forecast
}

// site returns what is known of a place, nil when nothing is.
func (s *Snapshot) site(name string) *Site {
	for i := range s.Sites {
		if s.Sites[i].Name == name {
			return &s.Sites[i]
		}
	}
	return nil
}

// estimateOf returns the newest estimate of a place, nil when there is none; of
// no named place, the newest of all.
func (s *Snapshot) estimateOf(name string) *guide.Estimate {
	if one := s.site(name); one != nil && one.Estimate != nil {
		return one.Estimate
	}
	if s.Estimate != nil && (name == "" || s.Estimate.Site == name) {
		return s.Estimate
	}
	return nil
}

// disagreementOf returns the channel that contradicts what is known of a place.
func (s *Snapshot) disagreementOf(name string) *guide.Disagreement {
	if e := s.Step.Estimate; e != nil && e.Site == name {
		return s.Step.Disagreement
	}
	if one := s.site(name); one != nil {
		return one.Disagreement
	}
	return nil
}

// Board carries the newest snapshot from a session to the screen. The zero
// value is ready; Publish and Latest may be called from any goroutine and
// never wait.
type Board struct {
	newest atomic.Pointer[Snapshot]
}

// Publish replaces the snapshot on the board.
func (b *Board) Publish(s Snapshot) { b.newest.Store(&s) }

// Latest returns the newest snapshot, or one that waits for data.
func (b *Board) Latest() Snapshot {
	if s := b.newest.Load(); s != nil {
		return *s
	}
	nan := math.NaN()
	return Snapshot{TargetUM: nan, FloorUM: nan, StartThicknessUM: nan}
}
