package plan

import (
	"cmp"
	"math"
	"slices"
)

// Channel is what a spectrometer can measure.
type Channel struct {
	Name         string
	MinUM, MaxUM float64
	RelSD        float64 // standard uncertainty over thickness
}

// Sight is the part of a stage that a channel sees.
type Sight struct {
	Channel      string
	FromUM, ToUM float64 // from thick to thin
}

// Look is how a stage is measured.
type Look struct {
	Sights []Sight // the first seen first
	Stop   string  // the channel to stop by, the surest that sees ToUM; empty for none
	SDUM   float64 // of its reading there; NaN without one
	// FirstS is when to look first: at the fastest, half is done by then.
	FirstS float64
	// EveryS is how often to look near the stop: at the fastest, with the uncertainty and
	// the reaction off, what is to spare lasts for two looks. NaN when nothing to spare is
	// known.
	EveryS float64
}

const (
	looks      = 2   // within what is to spare: one may fail, under slurry say
	sigmas     = 2   // taken off it for the uncertainty of a reading
	leastLookS = 0.5 // more often nobody can look (all three: common practice, no source)
	groundUM   = 5   // abrasive from which on a face scatters more than it reflects (common practice, no source)
)

// look says what a stage is measured with, and how often.
func (p *Plan) look(job Job, i int, cannot, warn func(string, ...any)) {
	s := &p.Stages[i]
	last := i == len(p.Stages)-1
	fastUMS := s.Rate.P95() / 60
	s.Look = Look{SDUM: math.NaN(), FirstS: math.Max(0, s.RemoveUM()) / 2 / fastUMS, EveryS: math.NaN()}
	relSD := math.Inf(1)
	for _, c := range job.Channels {
		if c.MinUM > s.FromUM || c.MaxUM < s.ToUM {
			continue
		}
		s.Look.Sights = append(s.Look.Sights, Sight{c.Name, math.Min(c.MaxUM, s.FromUM), math.Max(c.MinUM, s.ToUM)})
		if c.MinUM <= s.ToUM && c.RelSD < relSD {
			relSD = c.RelSD
			s.Look.Stop, s.Look.SDUM = c.Name, c.RelSD*s.ToUM
		}
	}
	slices.SortStableFunc(s.Look.Sights, func(a, b Sight) int { return cmp.Compare(b.FromUM, a.FromUM) })
	if s.Look.Stop == "" {
		tell := warn
		if last {
			tell = cannot
		}
		tell("no channel sees %s um, where it stops: gauge it, or measure with a channel that does", um(s.ToUM))
	}
	for _, gap := range s.unseen() {
		warn("no channel sees from %s to %s um: by time alone, or gauge it", um(gap.FromUM), um(gap.ToUM))
	}
	if s.AbrasiveUM >= groundUM && s.Look.Stop != "" {
		warn("a face ground with %s um scatters: gauge it, or polish a window before light is believed", um(s.AbrasiveUM))
	}
	if math.IsNaN(s.SpareUM) {
		warn("no floor is set: how often to look is not known")
		return
	}
	sd := s.Look.SDUM
	if math.IsNaN(sd) {
		sd = 0
	}
	s.Look.EveryS = ((s.SpareUM-sigmas*sd)/fastUMS - job.ReactionS) / looks
	if s.Look.EveryS < leastLookS {
		tell := warn
		if last {
			tell = cannot
		}
		tell("at up to %.3g um/min the %s um to spare last %.2g s: less force or speed", s.Rate.P95(), um(s.SpareUM), math.Max(0, s.SpareUM)/fastUMS)
		s.Look.EveryS = math.NaN()
	}
}

// unseen are the parts of a stage that lie between what channels see, or above it. What
// lies below, at the stop, is told by Look.Stop.
func (s Stage) unseen() []Sight {
	var gaps []Sight
	at := s.FromUM
	for _, sight := range s.Look.Sights {
		if sight.FromUM < at {
			gaps = append(gaps, Sight{FromUM: at, ToUM: sight.FromUM})
		}
		at = math.Min(at, sight.ToUM)
	}
	return gaps
}
