package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"bluefringe/device/event"
	"bluefringe/tui"
)

// speeds are the steps of faster and slower; after the last comes as fast as possible.
func speeds() []float64 { return []float64{0.25, 0.5, 1, 2, 4, 8, 16, 32, 64, 128, math.Inf(1)} }

func speedName(v float64) string {
	if math.IsInf(v, 1) {
		return "max"
	}
	return strconv.FormatFloat(v, 'g', 4, 64) + "x"
}

// controls are the keys of a replay.
func (p *player) controls() []tui.Control {
	does := func(do func() string) func(string) string {
		return func(string) string {
			return p.order(func() string {
				p.remark = ""
				return do()
			})
		}
	}
	truth := func(*tui.Snapshot) string {
		if !p.reel.status().hasTruth {
			return ""
		}
		return "hidden truth"
	}
	return []tui.Control{
		{Keys: []string{" "}, Shown: "space", Text: "play or pause", Instead: true, Do: does(p.playOrPause), Words: func(s *tui.Snapshot) string {
			if s.Host.Still {
				return "play"
			}
			return "pause"
		}},
		{Keys: []string{"up"}, Shown: "↑", Text: "faster", Do: does(func() string { return p.faster(1) })},
		{Keys: []string{"down"}, Shown: "↓", Text: "slower", Do: does(func() string { return p.faster(-1) })},
		{Keys: []string{"o"}, Text: "one spectrum", Do: does(func() string { return p.step(1) })},
		{Keys: []string{"d"}, Text: "next change of advice", Do: does(p.nextTurn)},
		{Keys: []string{"g"}, Text: "go to time", Ask: "go to (min:s, or +s and -s from here)", Do: func(text string) string {
			return p.order(func() string {
				p.remark = ""
				return p.goToTime(text)
			})
		}},
		{Keys: []string{"r"}, Text: "from the start", Do: does(p.restart)},
		{Keys: []string{"t"}, Text: "hidden truth", Words: truth, Do: does(p.showTruth)},
		{Keys: []string{"O"}, Text: "one spectrum back", Minor: true, Do: does(func() string { return p.step(-1) })},
		{Keys: []string{"D"}, Text: "change of advice before", Minor: true, Do: does(func() string { return p.before(p.turns, "change of advice") })},
		{Keys: []string{"m"}, Text: "next note", Minor: true, Do: does(p.nextNote)},
		{Keys: []string{"M"}, Text: "note before", Minor: true, Do: does(func() string { return p.before(p.notes, "note") })},
	}
}

func (p *player) playOrPause() string {
	p.playing = !p.playing
	if p.playing && p.over {
		p.playing = false
		return "this is the end: r begins anew, g goes to a time"
	}
	if p.goal != nil && !p.playing {
		return "it will stand when the jump is done"
	}
	return ""
}

func (p *player) faster(by int) string {
	list := speeds()
	to := p.speed
	if by > 0 {
		for _, v := range list {
			if v > p.speed {
				to = v
				break
			}
		}
	} else {
		for _, v := range list {
			if v < p.speed {
				to = v
			}
		}
	}
	if to == p.speed {
		return "speed " + speedName(to) + " is the last"
	}
	p.speed = to
	return "speed " + speedName(to)
}

func isSpectrum(what any) bool {
	in, ok := what.(input)
	return ok && in.reading != nil
}

// placeOf is the place right after an entry.
func (p *player) placeOf(i int) place {
	e, _ := p.reel.at(i)
	return place{i + 1, e.atS}
}

// step goes to the next spectrum, or to the one before that shown, and stands there.
func (p *player) step(by int) string {
	p.playing = false
	if by > 0 {
		i := p.reel.find(p.next, 1, isSpectrum)
		if i < 0 {
			return p.none("later spectrum")
		}
		p.goTo(p.placeOf(i))
		return ""
	}
	i := p.reel.find(p.next-1, -1, isSpectrum)
	if i >= 0 {
		i = p.reel.find(i-1, -1, isSpectrum)
	}
	if i < 0 {
		return "no earlier spectrum"
	}
	p.goTo(p.placeOf(i))
	return ""
}

// none says that something does not come any more, as far as is known.
func (p *player) none(what string) string {
	if p.reel.status().done {
		return "no " + what
	}
	return "no " + what + " yet: the record is still being read"
}

func (p *player) nextTurn() string {
	was, from := len(p.turns), place{p.next, p.clockS}
	p.goUntil(func() bool { return len(p.turns) > was }, func() string {
		p.goTo(from)
		return "no later change of advice"
	})
	return ""
}

func (p *player) nextNote() string {
	i := p.reel.find(p.next, 1, func(what any) bool { _, is := what.(event.Note); return is })
	if i < 0 {
		return p.none("later note")
	}
	p.goTo(p.placeOf(i))
	return ""
}

// before goes to the newest of some places that is behind; while it plays, one that has
// only just gone by is not meant.
func (p *player) before(places []place, what string) string {
	justS := 10 * spokenPast
	if p.playing {
		justS = max(1, min(p.speed, 60))
	}
	for i := len(places) - 1; i >= 0; i-- {
		if places[i].atS < p.clockS-justS {
			p.goTo(places[i])
			return ""
		}
	}
	return "no earlier " + what
}

func (p *player) restart() string {
	st := p.reel.status()
	if math.IsNaN(st.firstS) {
		return "nothing to play"
	}
	p.goTo(place{-1, st.firstS})
	return ""
}

// goToTime takes "12:30", "1:02:30", "750", "+30" and "-30".
func (p *player) goToTime(text string) string {
	st := p.reel.status()
	timeS, err := parseClock(text)
	switch {
	case err != nil:
		return err.Error()
	case math.IsNaN(st.firstS):
		return "nothing to play"
	}
	if text[0] == '+' || text[0] == '-' {
		timeS += p.clockS
	}
	said := ""
	switch {
	case timeS < st.firstS:
		timeS, said = st.firstS, "the record begins at "+tui.RunTime(st.firstS)
	case timeS > st.endS && st.done:
		timeS, said = st.endS, "the record ends at "+tui.RunTime(st.endS)
	}
	p.goTo(place{-1, timeS})
	return said
}

func parseClock(text string) (timeS float64, err error) {
	wrong := fmt.Errorf("found %q: allowed are seconds, min:s, h:min:s, and + or - before them", text)
	sign := 1.0
	rest, isBack := strings.CutPrefix(text, "-")
	if isBack {
		sign = -1
	} else {
		rest = strings.TrimPrefix(text, "+")
	}
	parts := strings.Split(rest, ":")
	if len(parts) > 3 {
		return 0, wrong
	}
	for i, part := range parts {
		v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(part, "s")), 64)
		if err != nil || !(v >= 0 && v <= 1e9) || i > 0 && v >= 60 {
			return 0, wrong
		}
		timeS = 60*timeS + v
	}
	return sign * timeS, nil
}

func (p *player) showTruth() string {
	p.truth = !p.truth
	if !p.truth {
		return "the hidden truth is hidden again"
	}
	return ""
}

// host says on the screen where the replay is.
func (p *player) host(st reelStatus, now time.Time) tui.Host {
	h := tui.Host{Word: "replay", Free: true, Still: !p.playing, Anew: p.anew}
	length := tui.RunTime(st.endS)
	if !st.done {
		length = "at least " + length
	}
	if math.IsNaN(st.firstS) {
		h.Status = "replay: reading the record"
		if st.done {
			h.Status = "replay: nothing to play"
			h.HideNumbers, h.Banner = true, "NOTHING TO PLAY – no advice" // not "waiting for data"
		}
		h.Hint = p.remark
		return h
	}
	h.Ruler = &tui.Ruler{StartS: st.firstS, AtS: p.clockS, EndS: st.endS, Marks: st.marks}
	doing := "playing"
	switch {
	case p.goal != nil:
		doing = "jumping"
		if !math.IsInf(p.goal.to.atS, 1) {
			doing = "going to " + tui.RunTime(p.goal.to.atS)
		}
		h.Ruler.AtS = max(p.reached, st.firstS)
		h.Still = true
	case p.over && st.ended:
		doing = "end of the run"
	case p.over:
		doing = "the record stops here without an end"
	case !p.playing:
		doing = "paused"
	}
	h.Status = fmt.Sprintf("replay %s, %s  %s of %s", speedName(p.speed), doing, tui.RunTime(h.Ruler.AtS), length)
	h.Hint = p.remark
	switch {
	case p.truth && p.goal != nil:
		h.Hint = p.shown.Host.Hint // of the picture that still stands
	case p.truth:
		h.Hint = p.truthWords()
	}
	return h
}

// truthWords tells the truth about the moment of the numbers on the screen.
func (p *player) truthWords() string {
	step := p.view.snapshot.Step
	um := p.reel.trueUM(step.TimeS)
	if math.IsNaN(um) {
		return "HIDDEN TRUTH, unseen by the engine: not known for this moment"
	}
	words := fmt.Sprintf("HIDDEN TRUTH, unseen by the engine: thinnest %.3f µm", um)
	if told := step.Advice.ThinnestUM; !math.IsNaN(told) {
		words += fmt.Sprintf("; told %.3f (%+.1f nm)", told, 1000*(told-um))
	}
	return words
}
