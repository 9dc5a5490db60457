package lesson

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/removal/trial"
)

// Debrief is what there is to say after a run.
type Debrief struct {
	Landing     trial.Landing
	ToleranceUM float64
	Advised     trial.Landing // what following the advice on the same die would have done
	Passed      bool          // within tolerance at the thinnest place, and the floor kept
	Score       int           // 0 to 100
	LostS       float64       // how much later the pad came off for the last time than with the advice followed
	Fault       string        // the mistake; empty where it passed
	Because     string        // how it was made; empty where it passed
	Better      string        // one thing to do better
	Cues        []Cue         // what was there to see, in the order of time
}

// NewDebrief compares a run with one that followed the advice on the same die.
func NewDebrief(own, advised *Run) Debrief {
	d := Debrief{Landing: own.Landing(), Advised: advised.Landing(), ToleranceUM: own.Lesson.ToleranceUM, Cues: own.cues()}
	d.addLater(advised.cues())
	d.Passed = d.within(d.Landing)
	d.LostS = math.Max(0, d.Landing.TimeS-d.Advised.TimeS)
	d.Score = d.score()
	if d.Passed {
		d.Better = d.finer()
		return d
	}
	j := judged{Run: own, targetUM: d.Landing.TargetUM, toleranceUM: d.ToleranceUM, endUM: d.Landing.ThinnestUM, decidedS: own.DecidedS()}
	if !math.IsNaN(j.decidedS) {
		j.decided = own.at(j.decidedS)
	}
	d.Fault, d.Because, d.Better = j.why()
	return d
}

// within tells whether a run ended within tolerance with the floor kept.
func (d *Debrief) within(l trial.Landing) bool {
	return l.Ended && math.Abs(l.MissUM()) <= d.ToleranceUM && !l.Crossed()
}

// AdvisedPassed tells the same of the run that followed the advice.
func (d *Debrief) AdvisedPassed() bool { return d.within(d.Advised) }

// addLater adds what would still have come to be seen in a run that ended too soon.
func (d *Debrief) addLater(cues []Cue) {
	for _, c := range cues {
		if c.TimeS > d.Landing.TimeS && !slices.ContainsFunc(d.Cues, func(own Cue) bool { return own.Name == c.Name }) {
			c.Text = "still to come: " + c.Text
			d.Cues = append(d.Cues, c)
		}
	}
}

// score gives 100 points for the target without time lost: less 25 at the end of the
// tolerance, less one for every 2 s lost, 25 at most. What is outside the tolerance has
// less than 50, and nothing where the floor was crossed or nobody stopped.
func (d *Debrief) score() int {
	off := math.Abs(d.Landing.MissUM()) / d.ToleranceUM
	switch {
	case d.Passed:
		return int(math.Round(100 - 25*off - math.Min(25, d.LostS/2)))
	case d.Landing.Crossed() || !d.Landing.Ended:
		return 0
	}
	return int(math.Round(math.Max(0, 50-10*off)))
}

// finer is one thing to do better after a run that passed.
func (d *Debrief) finer() string {
	const slowS = 15
	miss := d.Landing.MissUM()
	switch {
	case d.LostS > slowS:
		return fmt.Sprintf("Right, but %.0f s later than the advice: lift for a reason, look, and polish on.", d.LostS)
	case miss < -d.ToleranceUM/2:
		return fmt.Sprintf("Right, but %.0f nm on the thin side: silicon does not come back, so stop a little sooner.", -1000*miss)
	case miss > d.ToleranceUM/2:
		return fmt.Sprintf("Right, with %.0f nm to spare: a little later would have hit it.", 1000*miss)
	}
	return "Right. Try it again with less assistance, or the next lesson."
}
