package lesson

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
)

// FaultNames lists the mistakes that a lesson can be about.
func FaultNames() []string {
	return []string{"reaction", "spacing", "edge", "glazing", "slurry", "order", "corner", "handover", "line", "reference"}
}

// judged is what a run that did not pass is judged by.
type judged struct {
	*Run
	targetUM, toleranceUM float64
	endUM                 float64 // thinnest place at the end
	decidedS              float64 // NaN: no decision
	decided               *Moment // nil: no decision
}

func (j *judged) low() bool  { return j.endUM < j.targetUM-j.toleranceUM }
func (j *judged) high() bool { return j.endUM > j.targetUM+j.toleranceUM }

// why finds the mistake of a run that did not pass, the lesson's own before others, and
// one thing to do better.
func (j *judged) why() (fault, because, better string) {
	order := append([]string{j.Lesson.Fault}, "corner", "line", "slurry", "reference", "order", "handover", "reaction", "glazing")
	for _, name := range order {
		if because := j.because(name); because != "" {
			return name, because, j.better(name)
		}
	}
	switch {
	case j.decided == nil:
		return "none", "The run was never stopped.", "Stop before the target, by the lead of your lift."
	case j.high():
		return "early", fmt.Sprintf("The stop came with %.0f nm to go.", 1000*(j.endUM-j.targetUM)), "Trust the track further down, and stop by the rate of now."
	}
	return "late", fmt.Sprintf("The stop came when %.3f um were left, %.0f nm below the target.", j.decided.ThinnestUM, 1000*(j.targetUM-j.decided.ThinnestUM)), "Stop ahead of the target, by what goes during the lift."
}

// because says how a mistake was made, empty when it was not.
func (j *judged) because(fault string) string {
	k := &j.Lesson
	switch fault {
	case "corner":
		return j.corner()
	case "slurry", "line":
		return j.unseen(fault)
	case "order":
		return j.order()
	case "reference":
		if seenS, _ := j.fadeCue(); k.StaleReference && !math.IsNaN(seenS) && !j.referredAfter(seenS) {
			return fmt.Sprintf("The light had changed since the reference, the view was bad from %.0f s on, and no new reference was taken.", seenS) + j.clock()
		}
	}
	if j.decided == nil {
		return ""
	}
	onTime := j.low() && j.decided.ThinnestUM >= j.targetUM-j.toleranceUM
	switch fault {
	case "reaction":
		if onTime {
			return fmt.Sprintf("The stop came at %.3f um, and %.0f nm more went during the %.1f s of the lift.", j.decided.ThinnestUM, 1000*(j.decided.ThinnestUM-j.endUM), j.LiftedS-j.decidedS)
		}
	case "spacing":
		if !onTime {
			return fmt.Sprintf("There were %.1f fringes from %g to %g nm when the stop came, and the target has %.1f: the spacing was not what decided.",
				k.fringes(j.decided.ThinnestUM), k.FromNM, k.ToNM, k.fringes(j.targetUM)) + j.clock()
		}
	case "edge":
		if !onTime {
			return fmt.Sprintf("The contrast edge stood at %.0f nm when the stop came, on silicon of %.3f um: it was not what decided.", j.edgeNM(j.decidedS), j.decided.ThinnestUM) + j.clock()
		}
	case "glazing":
		if most := j.fastest(); j.high() && j.decided.RateUMMin < 0.8*most {
			return fmt.Sprintf("The pad had glazed: %.2f um/min were left of %.2f when the stop came, with %.0f nm to go.", j.decided.RateUMMin, most, 1000*(j.endUM-j.targetUM)) + j.clock()
		}
	case "handover":
		return j.handover()
	}
	return ""
}

// clock tells, where it is so, that the stop came when the set-up's rate said it was time.
func (j *judged) clock() string {
	const close = 0.1
	startUM := j.Moments[0].ThinnestUM
	nominalS := (startUM - j.targetUM) / j.Lesson.NominalUMMin * 60
	landing := j.Landing()
	if math.Abs(landing.ContactS-nominalS) > close*nominalS {
		return ""
	}
	return fmt.Sprintf(" By the clock it was right: the set-up's rate promised %.0f s, and the true one was %.2f of it on average.",
		nominalS, (startUM-j.endUM)/landing.ContactS*60/j.Lesson.NominalUMMin)
}

func (j *judged) referredAfter(timeS float64) bool {
	return slices.ContainsFunc(j.Actions, func(a Action) bool { return a.Kind == Reference && a.TimeS >= timeS })
}

// unseen finds silicon that went below the target without sight.
func (j *judged) unseen(fault string) string {
	belowS := j.reaches(j.targetUM - j.toleranceUM)
	if math.IsNaN(belowS) || !j.low() {
		return ""
	}
	seenS := math.Max(j.lastGoodS("", belowS), j.TouchedS)
	if belowS-seenS < unseenS {
		return ""
	}
	came := j.count(seenS+0.5, belowS) > 0
	switch {
	case fault == "line" && !came:
		return fmt.Sprintf("No spectrum had come for %.0f s when the silicon passed the target, and the pad stayed on the die.", belowS-seenS)
	case fault == "slurry" && came:
		return fmt.Sprintf("No reading had been good for %.0f s when the silicon passed the target, and the pad stayed on the die.", belowS-seenS)
	}
	return ""
}

// order finds a reading of another fringe order that looked like the time to stop. The
// screen shows the first two.
func (j *judged) order() (because string) {
	const backS, leastUM, shown, counts = 12, 0.04, 2, 0.01
	if j.decided == nil || !(j.high() || j.low()) {
		return ""
	}
	j.estimates(func(m *Moment, e *guide.Estimate) bool {
		for _, c := range e.Candidates[:min(shown, len(e.Candidates))] {
			offUM := c.ThicknessUM - m.ThinnestUM
			near := c.ThicknessUM <= j.targetUM+j.leadUM(m)+j.toleranceUM
			if e.TimeS > j.decidedS-backS && e.TimeS <= j.decidedS && c.Weight > counts && near &&
				(j.high() && offUM < -leastUM || j.low() && offUM > leastUM) {
				because = fmt.Sprintf("A reading at %.1f s allowed %.3f um, but that was another fringe order: the silicon was %.3f um.", e.TimeS, c.ThicknessUM, m.ThinnestUM)
			}
		}
		return e.TimeS <= j.decidedS
	})
	return because
}

// corner finds a middle that was right over a corner that was not.
func (j *judged) corner() string {
	last := &j.Moments[len(j.Moments)-1]
	middleUM := last.SiteUM[0]
	if len(last.SiteUM) < 2 || !j.low() || middleUM < j.targetUM-j.toleranceUM {
		return ""
	}
	return fmt.Sprintf("Site %s ended at %.3f um, but the thinnest place of the die at %.3f um: the tilt takes %.0f nm to it.", j.Lesson.Sites[0], middleUM, j.endUM, 1000*(middleUM-j.endUM))
}

// handover finds a stop by a channel that had long gone blind: with nothing else to see, or
// when its last reading and the rate of then said so.
func (j *judged) handover() string {
	const leastS, closeS = 8, 1.5
	var last *guide.Step // with a good infrared reading
	for i := range j.Moments {
		for k := range j.Moments[i].Steps {
			s := &j.Moments[i].Steps[k]
			if e := s.Estimate; e != nil && e.Channel == "nir" && e.Quality == estimate.Good && e.TimeS <= j.decidedS {
				last = s
			}
		}
	}
	if last == nil || j.decidedS-last.TimeS < leastS {
		return ""
	}
	old := fmt.Sprintf("The last good infrared reading was %.0f s old when the stop came", j.decidedS-last.TimeS)
	if j.lastGoodS("vis", j.decidedS) <= last.TimeS {
		return old + ", and the visible did not read either."
	}
	byClockS := last.TimeS + 60*(last.Estimate.ThicknessUM-j.targetUM)/last.Forecast.RateUMMin - j.Lesson.LiftS
	if math.Abs(j.decidedS-byClockS) > closeS {
		return ""
	}
	return old + ", and by that and the rate of then it was time; the visible had taken over."
}

// better is one thing to do better.
func (j *judged) better(fault string) string {
	switch fault {
	case "reaction":
		lead := j.leadUM(j.decided)
		return fmt.Sprintf("Stop %.0f nm above the target: rate times the %.1f s of the lift.", 1000*lead, j.Lesson.LiftS)
	case "spacing":
		return fmt.Sprintf("Count the fringes from %g to %g nm and stop at %.1f of them.", j.Lesson.FromNM, j.Lesson.ToNM, j.Lesson.fringes(j.targetUM))
	case "edge":
		return "Let the contrast edge decide: wait until it stands where it belongs for the target."
	case "glazing":
		return "Go by the rate of now: the time left is distance over the present rate, again at every look."
	case "slurry":
		return "When the fringes fade near the target, lift and wipe at once: a look costs a few seconds."
	case "order":
		return "Follow the line through many readings; while two orders compete, polish in short stretches and stop for neither."
	case "corner":
		return "Stop for the thinnest site, less what the die loses beyond it, and leave the middle thicker."
	case "handover":
		return "Read the visible as soon as it reads well, and leave the infrared and the clock."
	case "line":
		return "When spectra stop coming near the target, lift first and look for the reason then."
	case "reference":
		return "When a view stays bad after wiping, take a new dark and reference before polishing on."
	}
	return ""
}
