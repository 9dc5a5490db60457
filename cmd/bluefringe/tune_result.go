package main

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/device/setup"
	"bluefringe/removal/tune"
)

// tuned is what the settings made of the runs.
type tuned struct {
	*tuning
	first      setup.Setup // of the first run: what is pasted begins with it
	knobs      []knob      // for first
	ownSetting tune.Setting
	mixed      bool // the set-ups of the runs differ in what is varied

	runs      []*tune.Run
	measured  int       // runs whose record tells how long the operator took
	reactions []float64 // of all runs, as used

	settings []tune.Setting // those that were tried
	outcomes [][]tune.Outcome
	own      []tune.Outcome
	on, held []int // runs with truth: tuned on, and held back

	choice   *tune.Choice // nil: no run tells its truth
	heldBack *heldBack    // nil: nothing was held back
}

// heldBack are mean costs of the runs that were not tuned on.
type heldBack struct {
	best, own, lessBy                         float64
	bestInterval, ownInterval, lessByInterval tune.Interval
}

// settle gives every run the time that its operator takes.
func (r *tuned) settle(runs []*tune.Run, recordings []fetched) {
	var measured []float64
	for i, run := range runs {
		if math.IsNaN(recordings[i].reactionS) && !math.IsNaN(run.ReactionS) {
			measured = append(measured, run.ReactionS)
		}
	}
	otherwiseS := r.first.Stop.ReactionS
	if r.measured = len(measured); r.measured > 0 {
		otherwiseS = median(measured)
	}
	for i, run := range runs {
		switch recorded := math.IsNaN(recordings[i].reactionS); {
		case recorded && r.reactionS > 0:
			run.ReactionS = r.reactionS
		case math.IsNaN(run.ReactionS):
			run.ReactionS = otherwiseS
		}
		r.reactions = append(r.reactions, run.ReactionS)
	}
}

// choose judges the settings by the runs that tell their truth.
func (r *tuned) choose() {
	for j, run := range r.runs {
		if run.Truth.Known() {
			r.on = append(r.on, j)
		}
	}
	if r.holdBack > 0 && len(r.on) > 1 {
		with := r.on
		tunedOn, held := tune.Split(len(with), r.holdBack, r.invented.seed)
		r.on, r.held = picked(with, tunedOn), picked(with, held)
	}
	costs := make([][]float64, len(r.outcomes))
	for i, row := range r.outcomes {
		costs[i] = tune.Costs(picked(row, r.on), r.weights)
	}
	own := tune.Costs(picked(r.own, r.on), r.weights)
	r.choice = tune.Choose(r.axes, r.settings, costs, r.ownSetting, own, r.resamples, r.invented.seed)
	if r.choice == nil || len(r.held) == 0 {
		return
	}
	heldBest := tune.Costs(picked(r.outcomes[r.choice.Best()], r.held), r.weights)
	heldOwn := tune.Costs(picked(r.own, r.held), r.weights)
	less := make([]float64, len(heldOwn))
	for k := range less {
		less[k] = heldOwn[k] - heldBest[k]
	}
	h := &heldBack{}
	h.best, h.bestInterval = tune.MeanInterval(heldBest, r.resamples, r.invented.seed)
	h.own, h.ownInterval = tune.MeanInterval(heldOwn, r.resamples, r.invented.seed)
	h.lessBy, h.lessByInterval = tune.MeanInterval(less, r.resamples, r.invented.seed)
	r.heldBack = h
}

func picked[T any](list []T, which []int) []T {
	out := make([]T, len(which))
	for k, j := range which {
		out[k] = list[j]
	}
	return out
}

// summary is of the runs that are tuned on; of all where none tells its truth.
func (r *tuned) summary(row []tune.Outcome) tune.Summary {
	if r.choice != nil {
		row = picked(row, r.on)
	}
	return tune.Summarise(row, r.weights)
}

// warnings say what speaks against going by the result.
func (r *tuned) warnings() []string {
	var list []string
	add := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	if n := len(r.runs) - len(r.on) - len(r.held); n > 0 && r.choice != nil {
		add("%s without truth lines or a note of the final thickness: left out of the cost", runCount(n))
	}
	if r.mixed {
		add("the set-ups of the runs differ in what is varied; as the set-up's own, those of the first run are shown, and each run is played with its own")
	}
	if r.choice == nil {
		add("no run tells how thick the silicon really was: truth lines, or a note such as \"final thickness 2.01 um\"; settings can only be compared")
		return list
	}
	best := r.settings[r.choice.Best()]
	if n := len(r.on); n < tune.FewRuns {
		add("only %s: resampling so few makes intervals too narrow", runCount(n))
	}
	if r.choice.OwnToBest.Includes(0) {
		add("these runs cannot tell the best setting from the set-up's own: the interval of the difference includes 0")
	}
	switch n := r.choice.Equal; {
	case n == 1:
		add("these runs cannot tell one other setting from the best")
	case n > 1:
		add("these runs cannot tell %d other settings from the best", n)
	}
	for j, axis := range r.axes {
		switch v := best[j]; {
		case len(axis.Values) < 2:
		case !r.matters(j):
			add("%s made no difference beside the best", axis.Key)
		case v == slices.Min(axis.Values) || v == slices.Max(axis.Values):
			add("the best %s, %g, is at the end of what was tried", axis.Key, v)
		}
	}
	s := r.summary(r.outcomes[r.choice.Best()])
	if s.Unreached > 0 {
		add("with the best setting the end of %s is not in the record", runCount(s.Unreached))
	}
	if s.Extrapolated > 0 {
		add("with the best setting %s landed beyond the record, at its last rate", runCount(s.Extrapolated))
	}
	if r.holdBack > 0 && r.heldBack == nil {
		add("nothing is held back: fewer than two runs tell their truth")
	}
	if h := r.heldBack; h != nil && h.lessByInterval.Includes(0) {
		add("the runs that were held back do not confirm that the best setting is better")
	}
	return list
}

// cost is the mean cost of a setting.
func (r *tuned) cost(i int) float64 { return r.summary(r.outcomes[i]).Cost }

// matters tells whether another value of an axis alone changes the cost of the best
// setting. Of one value that cannot be told.
func (r *tuned) matters(axis int) bool {
	if len(r.axes[axis].Values) == 1 {
		return true
	}
	best := r.choice.Best()
	cost := r.cost(best)
	for i, s := range r.settings {
		beside := true
		for j := range s {
			beside = beside && (j == axis || s[j] == r.settings[best][j])
		}
		if beside && r.cost(i) != cost {
			return true
		}
	}
	return false
}
