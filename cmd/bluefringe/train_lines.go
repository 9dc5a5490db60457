package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"bluefringe/device/event"
	"bluefringe/device/lessons"
	"bluefringe/removal/lesson"
	"bluefringe/removal/trial"
)

// told is a finished attempt with all there is to say about it.
type told struct {
	lesson  lessons.Lesson
	flags   *trainFlags
	run     *lesson.Run
	debrief lesson.Debrief
}

// lessonLine is a lesson as a line of the list.
type lessonLine struct {
	Type       string  `json:"type"`
	Number     int     `json:"number"`
	Name       string  `json:"name"`
	Title      string  `json:"title"`
	Teaches    string  `json:"teaches"`
	Watch      string  `json:"watch"`
	Rule       string  `json:"rule"`
	Assistance string  `json:"assistance"`
	TargetUM   float64 `json:"target_um"`
	FloorUM    float64 `json:"floor_um"`
	Attempts   int     `json:"attempts"`
	Best       *int    `json:"best,omitempty"` // score of the trainee
}

func writeLessons(w io.Writer, list []lessons.Lesson, best map[string]tally) error {
	out := json.NewEncoder(w)
	for _, l := range list {
		line := lessonLine{Type: "lesson", Number: l.Number, Name: l.Name, Title: l.Title, Teaches: l.Teaches, Watch: l.Watch, Rule: l.Rule,
			Assistance: l.Assistance, TargetUM: l.Parsed.Target.ThicknessUM, FloorUM: l.Parsed.Target.FloorUM}
		if sum, ok := best[l.Name]; ok {
			line.Attempts, line.Best = sum.attempts, &sum.best
		}
		if err := out.Encode(line); err != nil {
			return err
		}
	}
	return nil
}

func lessonTable(list []lessons.Lesson, best map[string]tally) string {
	var b strings.Builder
	for _, l := range list {
		score := "not tried yet"
		if sum, ok := best[l.Name]; ok {
			score = fmt.Sprintf("best %d of %d, passed %d", sum.best, sum.attempts, sum.passed)
			if sum.attempts == 1 {
				score = fmt.Sprintf("score %d", sum.best)
			}
		}
		fmt.Fprintf(&b, "%3d  %s  %s (%s)\n", l.Number, padded(l.Name, 10), l.Title, score)
		for _, line := range wrapped(l.Teaches, 74) {
			fmt.Fprintf(&b, "     %s\n", line)
		}
	}
	return b.String()
}

// landingLine is where a run ended, as part of a line.
type landingLine struct {
	Stopped    bool     `json:"stopped"`
	ThinnestUM *float64 `json:"thinnest_um"`
	MissUM     *float64 `json:"miss_um"`
	LiftedS    *float64 `json:"lifted_s"`   // when the pad came off for the last time
	PolishedS  *float64 `json:"polished_s"` // with the pad on the die
	Lifts      int      `json:"lifts"`      // after which polishing went on
}

func newLandingLine(l trial.Landing) landingLine {
	return landingLine{l.Ended, number(l.ThinnestUM, decimalsUM), number(l.MissUM(), decimalsUM), number(l.TimeS, decimalsS), number(l.ContactS, decimalsS), l.Lifts}
}

// resultLine is the line of an attempt.
type resultLine struct {
	Type       string  `json:"type"`
	Lesson     string  `json:"lesson"`
	Number     int     `json:"number"`
	Trainee    string  `json:"trainee"`
	Assistance string  `json:"assistance"`
	Seed       uint64  `json:"seed"`
	Passed     bool    `json:"passed"`
	Score      int     `json:"score"`
	TargetUM   float64 `json:"target_um"`
	FloorUM    float64 `json:"floor_um"`
	Tolerance  float64 `json:"tolerance_um"`
	landingLine
	FloorCrossed bool        `json:"floor_crossed"`
	LostS        *float64    `json:"lost_s"`
	Fault        string      `json:"fault,omitempty"`
	Because      string      `json:"because,omitempty"`
	Better       string      `json:"better"`
	Advised      landingLine `json:"advised"` // what following the advice would have done
	Actions      []string    `json:"actions"` // as in a script
}

// cueLine is one thing that was there to see, with the spectrum of that moment.
type cueLine struct {
	Type         string       `json:"type"`
	TimeS        *float64     `json:"time_s"`
	Cue          string       `json:"cue"`
	Text         string       `json:"text"`
	Site         string       `json:"site,omitempty"`
	Channel      string       `json:"channel,omitempty"`
	SpectrumS    *float64     `json:"spectrum_s,omitempty"` // when the spectrum was taken
	WavelengthNM event.Values `json:"wavelength_nm,omitempty"`
	Reflectance  event.Values `json:"reflectance,omitempty"`
	Model        event.Values `json:"model,omitempty"`
}

// writeJSON writes the result and then the cues, one a line.
func (d told) writeJSON(w io.Writer) error {
	b := d.debrief
	line := resultLine{
		Type: "result", Lesson: d.lesson.Name, Number: d.lesson.Number, Trainee: event.Clean(d.flags.trainee), Assistance: d.flags.assistance,
		Seed: d.flags.seed, Passed: b.Passed, Score: b.Score, TargetUM: b.Landing.TargetUM, FloorUM: b.Landing.FloorUM,
		Tolerance: b.ToleranceUM, landingLine: newLandingLine(b.Landing), FloorCrossed: b.Landing.Crossed(),
		LostS: number(b.LostS, decimalsS), Fault: b.Fault, Because: b.Because, Better: b.Better, Advised: newLandingLine(b.Advised),
		Actions: []string{},
	}
	for _, a := range d.run.Actions {
		line.Actions = append(line.Actions, a.String())
	}
	out := json.NewEncoder(w)
	if err := out.Encode(line); err != nil {
		return err
	}
	for _, c := range b.Cues {
		cue := cueLine{Type: "cue", TimeS: number(c.TimeS, decimalsS), Cue: c.Name, Text: c.Text}
		if e := c.Estimate; e != nil {
			cue.Site, cue.Channel, cue.SpectrumS = e.Site, e.Channel, number(e.TimeS, decimalsS)
			cue.WavelengthNM, cue.Reflectance, cue.Model = roundedValues(e.Picture.WavelengthNM), roundedValues(e.Picture.Reflectance), roundedValues(e.Picture.Model)
		}
		if err := out.Encode(cue); err != nil {
			return err
		}
	}
	return nil
}

// roundedValues are values for a line: more decimals are noise.
func roundedValues(values []float64) event.Values {
	out := make(event.Values, len(values))
	for i, v := range values {
		out[i] = math.Round(v*1e5) / 1e5
	}
	return out
}
