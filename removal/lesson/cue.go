package lesson

import (
	"fmt"
	"math"

	"bluefringe/optics/estimate"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// Cue is something that was there to see, and when.
type Cue struct {
	Name     string // the mistake that it warns of, or "stop" for the advice
	TimeS    float64
	Text     string
	Estimate *guide.Estimate // the spectrum of that moment; nil: none had come
}

// cues returns what there was to see in a run, in the order of time: the cue of the
// lesson, when the hand should have moved, and the first stop of the engine.
func (r *Run) cues() []Cue {
	var list []Cue
	add := func(name string, timeS float64, text string) {
		if math.IsNaN(timeS) {
			return
		}
		i := 0
		for i < len(list) && list[i].TimeS <= timeS {
			i++
		}
		list = append(list[:i], append([]Cue{{name, timeS, text, r.near(timeS)}}, list[i:]...)...)
	}
	timeS, text := r.cue(r.Lesson.Fault)
	add(r.Lesson.Fault, timeS, text)
	if s := r.pressS(); !math.IsNaN(s) {
		m := r.at(s)
		add("decide", s, fmt.Sprintf("the moment to decide: %.3f um were left at the thinnest place, and a lift of %.1f s takes %.0f nm", m.ThinnestUM, r.Lesson.LiftS, 1000*r.leadUM(m)))
	}
	stopS, reason := r.advised(advice.Stop)
	add("stop", stopS, "the advice turned to stop: "+reason)
	return list
}

// advised is when an advice first came with the pad on the die.
func (r *Run) advised(level advice.Level) (timeS float64, reason string) {
	for i := range r.Moments {
		for _, s := range r.Moments[i].Steps {
			if s.Forecast.Contact && s.Advice.Level == level {
				return s.TimeS, s.Advice.Reason
			}
		}
	}
	return math.NaN(), ""
}

// cue is when the sign of a mistake was first there, NaN when it never was.
func (r *Run) cue(fault string) (timeS float64, text string) {
	k := &r.Lesson
	switch fault {
	case "reaction":
		return r.leadCue()
	case "spacing":
		s := r.pressS()
		return s, fmt.Sprintf("%.1f fringes were left from %g to %g nm; the target has %.1f", k.fringes(r.at(s).ThinnestUM), k.FromNM, k.ToNM, k.fringes(k.TargetUM))
	case "edge":
		s := r.pressS()
		return s, fmt.Sprintf("the contrast edge stood at %.0f nm, where it belongs at the target", r.edgeNM(s))
	case "glazing":
		return r.glazingCue()
	case "slurry", "reference":
		return r.fadeCue()
	case "order":
		return r.orderCue()
	case "corner":
		return r.cornerCue()
	case "handover":
		return r.handoverCue()
	case "line":
		return r.gapCue()
	}
	return math.NaN(), ""
}

// leadCue is when the track stood as far above the target as goes until the pad is off.
func (r *Run) leadCue() (float64, string) {
	k := &r.Lesson
	takesS := k.LiftS + k.PersonS
	for i := range r.Moments {
		for _, s := range r.Moments[i].Steps {
			lead := s.Forecast.RateUMMin / 60 * takesS
			if s.Forecast.Contact && s.Forecast.ThicknessUM-k.TargetUM <= lead {
				return s.TimeS, fmt.Sprintf("%.3f um on the screen, %.2f um/min: %.0f nm go in the %.1f s from advice to pad off", s.Forecast.ThicknessUM, s.Forecast.RateUMMin, 1000*lead, takesS)
			}
		}
	}
	return math.NaN(), ""
}

// glazingCue is when the rate as tracked was down to fallenTo of its highest.
func (r *Run) glazingCue() (float64, string) {
	const settledS, fallenTo = 10, 0.8
	most := 0.0
	for i := range r.Moments {
		for _, s := range r.Moments[i].Steps {
			rate := s.Forecast.RateUMMin
			if !s.Forecast.Contact || s.TimeS < r.TouchedS+settledS || math.IsNaN(rate) {
				continue
			}
			if most = math.Max(most, rate); rate < fallenTo*most {
				return s.TimeS, fmt.Sprintf("the rate was down to %.2f from %.2f um/min at the same force", rate, most)
			}
		}
	}
	return math.NaN(), ""
}

// fadeCue is when two readings in a row were not good.
func (r *Run) fadeCue() (float64, string) {
	timeS, text, row := math.NaN(), "", 0
	r.estimates(func(_ *Moment, e *guide.Estimate) bool {
		if e.Quality == estimate.Good || e.Quality == estimate.Ambiguous {
			row = 0
			return true
		}
		if row++; row == 1 {
			timeS, text = e.TimeS, fmt.Sprintf("the reading turned %s: %s", e.Quality, e.Reason)
		}
		return row < 2
	})
	if row < 2 {
		return math.NaN(), ""
	}
	return timeS, text
}

// orderCue is the first reading with two orders, with the pad on the die.
func (r *Run) orderCue() (float64, string) {
	timeS, text := math.NaN(), ""
	r.estimates(func(m *Moment, e *guide.Estimate) bool {
		if m.Touching && e.Quality == estimate.Ambiguous && len(e.Candidates) > 1 {
			timeS, text = e.TimeS, fmt.Sprintf("ambiguous: two fringe orders explain the spectrum, %.3f and %.3f um", e.Candidates[0].ThicknessUM, e.Candidates[1].ThicknessUM)
			return false
		}
		return true
	})
	return timeS, text
}

// cornerCue is when the sites were known to differ.
func (r *Run) cornerCue() (float64, string) {
	const leastUM = 0.05
	at := map[string]float64{}
	for i := range r.Moments {
		for _, s := range r.Moments[i].Steps {
			if s.Estimate == nil || math.IsNaN(s.Forecast.ThicknessUM) {
				continue
			}
			at[s.Forecast.Site] = s.Forecast.ThicknessUM
			if len(at) < len(r.Lesson.Sites) {
				continue
			}
			thin, thick := r.Lesson.Sites[0], r.Lesson.Sites[0]
			for _, name := range r.Lesson.Sites {
				if at[name] < at[thin] {
					thin = name
				}
				if at[name] > at[thick] {
					thick = name
				}
			}
			if at[thick]-at[thin] > leastUM {
				return s.TimeS, fmt.Sprintf("site %s is %.0f nm thinner than %s, and %.0f nm thinner than %s", thin, 1000*(at[thick]-at[thin]), thick, 1000*(at[r.Lesson.Sites[0]]-at[thin]), r.Lesson.Sites[0])
			}
		}
	}
	return math.NaN(), ""
}

// handoverCue is when the visible began to read well.
func (r *Run) handoverCue() (float64, string) {
	const row = 4
	timeS, text, good := math.NaN(), "", 0
	r.estimates(func(_ *Moment, e *guide.Estimate) bool {
		switch {
		case e.Channel == "nir":
		case e.Quality != estimate.Good:
			good = 0
		default:
			if good++; good == 1 {
				timeS, text = e.TimeS, fmt.Sprintf("the visible reads %.3f um, well from here on", e.ThicknessUM)
			}
		}
		return good < row
	})
	if good < row {
		return math.NaN(), ""
	}
	return timeS, text
}

// gapCue is when no spectrum had come for two seconds with the pad on the die.
func (r *Run) gapCue() (float64, string) {
	const gapS = 2
	lastS := math.Inf(-1)
	for i := range r.Moments {
		m := &r.Moments[i]
		for _, s := range m.Steps {
			if s.Estimate != nil {
				lastS = s.TimeS
			}
		}
		if m.Touching && m.TimeS-lastS >= gapS && !math.IsInf(lastS, -1) {
			return m.TimeS, fmt.Sprintf("no spectrum for %.1f s with the pad on the die", m.TimeS-lastS)
		}
	}
	return math.NaN(), ""
}
