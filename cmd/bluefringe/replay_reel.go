package main

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"sync"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
	"bluefringe/removal/tune"
	"bluefringe/tui"
)

// Bounds of a reel: a record may be endless, or hold nothing but faults.
const (
	mostReelEntries = 500_000
	mostReelFaults  = 1000
	mostReelMarks   = 1000
	// mostReelNumbers bounds the numbers in the pictures that are kept (256 MB).
	mostReelNumbers = 32 << 20
)

// reel keeps what a session told its sink and its engine, so that it can be told again from
// any moment on without reading the record or the spectra again. A session fills it from
// one goroutine, as its sink; a player reads it from another.
type reel struct {
	session *session
	changed chan struct{} // capacity 1: there is more
	entries int           // bound on entries
	numbers int           // bound on numbers in pictures

	begun bool
	level advice.Level

	mu    sync.Mutex
	list  []reelEntry
	lastS float64 // of the newest input; -Inf before the first
	firstS,
	endS float64 // of the first input, and the latest moment of all
	ended    bool // the run said so itself
	faults   int
	first    error // fault
	pictured []int // entries with pictures
	inside   int   // numbers in them
	thinned  bool
	marks    []tui.Entry
	truths   map[string][]tune.Point
	truthN   int
	known    tune.Truth // made of truths when it is asked for
	knownN   int
	counts   counts
	done     bool
	err      error
}

// reelEntry is one call of the session.
type reelEntry struct {
	atS    float64 // when it is played: never before the entry that precedes it
	what   any     // opening, input, noticed, error or event.Note
	counts counts
}

type opening struct {
	run event.Run
	set setup.Setup
}

type noticed string

func newReel(s *session) *reel {
	return &reel{session: s, changed: make(chan struct{}, 1), entries: mostReelEntries, numbers: mostReelNumbers,
		lastS: math.Inf(-1), firstS: math.NaN(), endS: math.Inf(-1), truths: map[string][]tune.Point{}}
}

// add appends an entry; ownS is its own time, NaN for none.
func (t *reel) add(what any, ownS float64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.list) >= t.entries {
		return // stepped says so
	}
	e := reelEntry{atS: t.lastS, what: what, counts: t.session.counts}
	if ownS > t.lastS {
		e.atS = ownS
	}
	if n := len(t.list); n > 0 {
		e.atS = max(e.atS, t.list[n-1].atS)
	}
	if in, ok := what.(input); ok {
		if ownS >= t.lastS {
			e.atS = ownS
		} else {
			e.atS = t.lastS
		}
		// A note of a later moment must not hold up what came after it.
		for i := len(t.list) - 1; i >= 0 && t.list[i].atS > e.atS; i-- {
			t.list[i].atS = e.atS
		}
		t.lastS = e.atS
		if math.IsNaN(t.firstS) {
			t.firstS = e.atS
		}
		t.ended = in.end
		t.endS = e.atS
		if in.reading != nil {
			t.keepPicture(in.reading.Estimate)
		}
	}
	t.endS = max(t.endS, e.atS)
	t.list = append(t.list, e)
	notify(t.changed)
}

// keepPicture counts the pictures of the entry that comes next, and drops every other of
// all but the newest where there are too many.
func (t *reel) keepPicture(e *guide.Estimate) {
	t.pictured = append(t.pictured, len(t.list))
	t.inside += numbersOf(e)
	if t.inside <= t.numbers {
		return
	}
	kept := t.pictured[:0]
	for i, at := range t.pictured {
		if i%2 == 1 || i == len(t.pictured)-1 {
			kept = append(kept, at)
			continue
		}
		in := t.list[at].what.(input)
		t.inside -= numbersOf(in.reading.Estimate)
		r := *in.reading
		r.Estimate = lean(r.Estimate)
		in.reading = &r
		t.list[at].what = in
	}
	t.pictured, t.thinned = kept, true
}

func numbersOf(e *guide.Estimate) int {
	p := &e.Picture
	return len(p.WavelengthNM) + len(p.Reflectance) + len(p.Model) + 3*len(p.VisibilityNM)
}

// The sink of the session.

func (t *reel) opened(run event.Run, s setup.Setup) { t.add(opening{run, s}, math.NaN()) }
func (t *reel) fed(in input)                        { t.add(in, in.timeS) }
func (t *reel) notice(text string)                  { t.add(noticed(text), math.NaN()) }
func (t *reel) heard(c counts, _ time.Time)         { t.count(c) }

func (t *reel) noted(n event.Note) {
	t.add(n, n.TimeS)
	t.mark(tui.Entry{TimeS: n.TimeS, Kind: tui.NoteMade, Text: n.Text})
}

func (t *reel) fault(err error) {
	if t.faults++; t.faults == 1 {
		t.mu.Lock()
		t.first = err
		t.mu.Unlock()
	}
	if t.faults <= mostReelFaults {
		t.add(err, math.NaN())
	}
}

func (t *reel) stepped(step guide.Step) error {
	if l := step.Advice.Level; !t.begun || l != t.level {
		if t.begun {
			t.mark(tui.Entry{TimeS: step.TimeS, Kind: tui.AdviceChanged, Level: l})
		}
		t.begun, t.level = true, l
	}
	if t.length() >= t.entries {
		return fmt.Errorf("more than %d spectra, changes and notes: it can be played so far", t.entries)
	}
	return nil
}

func (t *reel) truth(v event.Truth) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.truthN++; t.truthN > mostTruth {
		return
	}
	site := event.Spectrum{Site: v.Site}.SiteName()
	t.truths[site] = append(t.truths[site], tune.Point{TimeS: v.TimeS, ThicknessUM: v.ThicknessUM})
}

func (t *reel) mark(e tui.Entry) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.marks) < mostReelMarks {
		t.marks = append(t.marks, e)
	}
}

func (t *reel) count(c counts) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.counts = c
}

// finish tells that the session has ended, and why.
func (t *reel) finish(err error) {
	t.mu.Lock()
	t.done, t.err = true, err
	t.mu.Unlock()
	notify(t.changed)
}

// The player's side.

// at returns an entry, and whether there is one yet.
func (t *reel) at(i int) (reelEntry, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if i < 0 || i >= len(t.list) {
		return reelEntry{}, false
	}
	return t.list[i], true
}

func (t *reel) length() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.list)
}

// status is what is known of the whole reel.
type reelStatus struct {
	firstS, lastS, endS float64
	length              int
	ended, done         bool
	err, first          error // of the session, and the first fault
	counts              counts
	marks               []tui.Entry // only read
	hasTruth            bool
}

func (t *reel) status() reelStatus {
	t.mu.Lock()
	defer t.mu.Unlock()
	return reelStatus{firstS: t.firstS, lastS: t.lastS, endS: t.endS, length: len(t.list), ended: t.ended, done: t.done, err: t.err, first: t.first,
		counts: t.counts, marks: t.marks[:len(t.marks):len(t.marks)], hasTruth: t.truthN > 0}
}

// find returns the first entry from i on, or with a negative step the first before and at
// i, that is looked for; -1: none.
func (t *reel) find(i, step int, wanted func(what any) bool) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	for ; i >= 0 && i < len(t.list); i += step {
		if wanted(t.list[i].what) {
			return i
		}
	}
	return -1
}

// nextInputS is the own time of the first input from entry i on.
func (t *reel) nextInputS(i int) (timeS float64, ok bool) {
	at := t.find(i, 1, func(what any) bool { _, is := what.(input); return is })
	if at < 0 {
		return 0, false
	}
	e, _ := t.at(at)
	return e.what.(input).timeS, true
}

// upTo counts the entries that are played up to a time.
func (t *reel) upTo(timeS float64) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return sort.Search(len(t.list), func(i int) bool { return t.list[i].atS > timeS })
}

// trueUM is how thick the thinnest place really was; NaN where that is not known.
func (t *reel) trueUM(timeS float64) float64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.knownN != t.truthN {
		copied := make(map[string][]tune.Point, len(t.truths))
		for site, points := range t.truths {
			copied[site] = slices.Clip(points)
		}
		t.known, t.knownN = tune.NewTruth(copied), t.truthN
	}
	return t.known.ThinnestUM(timeS)
}
