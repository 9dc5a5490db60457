package tune

import (
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// mice are the survival times in days of the seven treated mice of B. Efron and R.
// Tibshirani, An Introduction to the Bootstrap (1993), table 2.1 (from memory): mean
// 86.86, its resampled standard error with many resamplings 23.36.
func mice() []float64 { return []float64{94, 197, 16, 38, 99, 141, 23} }

// The interval agrees with that of all 7^7 resamplings that there are.
func TestIntervalAgainstAllResamplings(t *testing.T) {
	values := mice()
	all := []float64{0}
	for range values {
		var next []float64
		for _, sum := range all {
			for _, v := range values {
				next = append(next, sum+v/float64(len(values)))
			}
		}
		all = next
	}
	if se := stat.PopStdDev(all, nil); math.Abs(se-23.36) > 0.01 {
		t.Errorf("standard error %.3f, published 23.36", se)
	}
	slices.Sort(all)
	wantLow, wantHigh := all[int(0.025*float64(len(all)))], all[int(0.975*float64(len(all)))]
	mean, got := MeanInterval(values, 20000, 1)
	if math.Abs(mean-86.857) > 0.001 || math.Abs(got.Low-wantLow) > 1.5 || math.Abs(got.High-wantHigh) > 1.5 {
		t.Errorf("mean %.2f, 95 %% %.1f to %.1f; of all resamplings %.1f to %.1f", mean, got.Low, got.High, wantLow, wantHigh)
	}
}

// A setting that is better in every run is told from the others; one that is better by
// what luck gives and takes is not. The intervals of the difference hold its true mean.
func TestChoose(t *testing.T) {
	axes := []Axis{{"x", []float64{1, 2, 3, 4}}}
	settings := []Setting{{1}, {2}, {3}, {4}}
	nan := math.NaN()
	costs := [][]float64{
		{30, 31, 29, 32, 30, 31, 28, 33, nan}, // clearly dearer
		{10, 12, 9, 11, 10, 12, 8, 13, nan},
		{12, 10, 11, 9, 12, 10, 13, 8.5, nan}, // like the one before, but for 0.5 in one run
		{10, 12, 9, 11, 10, 12, 8, 13, nan},   // equal to the second, farther from the set-up's own
	}
	c := Choose(axes, settings, costs, Setting{1.5}, costs[0], 4000, 1)
	if !slices.Equal(c.Order, []int{1, 3, 2, 0}) {
		t.Errorf("order %v", c.Order)
	}
	if c.Equal != 2 || !c.ToBest[2].Includes(0) || c.ToBest[3].Includes(0) || c.OwnToBest.Includes(0) {
		t.Errorf("to the best %v, own %v, equal %d", c.ToBest, c.OwnToBest, c.Equal)
	}
	if !c.OwnToBest.Includes(stat.Mean(costs[0][:8], nil) - stat.Mean(costs[1][:8], nil)) {
		t.Errorf("difference of the set-up's own %v", c.OwnToBest)
	}
	if c.ChosenPart < 0.4 || c.ChosenPart > 0.8 || c.Values[0].Low != 2 || c.Values[0].High != 3 {
		t.Errorf("chosen in %g, values %v", c.ChosenPart, c.Values)
	}
	again := Choose(axes, settings, costs, Setting{1.5}, costs[0], 4000, 1)
	if !slices.Equal(again.Cost, c.Cost) || !slices.Equal(again.ToBest, c.ToBest) {
		t.Error("the same seed gave other intervals")
	}
	if Choose(axes, settings, [][]float64{{nan}, {nan}, {nan}, {nan}}, nil, []float64{nan}, 10, 1) != nil {
		t.Error("a choice without a cost")
	}
}

func TestSplit(t *testing.T) {
	tuned, held := Split(10, 0.5, 1)
	both := slices.Concat(tuned, held)
	slices.Sort(both)
	if len(tuned) != 5 || len(held) != 5 || !slices.Equal(both, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}) {
		t.Errorf("%v and %v", tuned, held)
	}
	if tuned, held := Split(2, 0.99, 1); len(tuned) != 1 || len(held) != 1 {
		t.Errorf("%v and %v", tuned, held)
	}
}

func TestWeights(t *testing.T) {
	w, err := ParseWeights("above=2, floor=100")
	want := DefaultWeights()
	want.Above, want.Floor = 2, 100
	if err != nil || w != want {
		t.Errorf("%+v, %v", w, err)
	}
	if again, err := ParseWeights(w.String()); err != nil || again != w {
		t.Errorf("%s was read as %+v, %v", w, again, err)
	}
	for text, word := range map[string]string{"flor=1": "floor", "above=-1": "from 0", "above=x": "above", "above": "above=NUMBER"} {
		if _, err := ParseWeights(text); err == nil || !strings.Contains(err.Error(), word) {
			t.Errorf("%s: %v", text, err)
		}
	}
}

func TestCost(t *testing.T) {
	w := Weights{Above: 1, Below: 3, Floor: 1000, False: 50, Minute: 6, Unreached: 70, Unwarned: 5}
	o := Outcome{HasTruth: true, LandS: 100, Looks: 2, WarnedS: 20}
	o.Landing.Ended, o.Landing.TargetUM, o.Landing.FloorUM = true, 2, 1.9
	for _, c := range []struct {
		um, want float64
	}{
		{2.010, 10 + 2},       // 10 nm above; two looks of 10 s are a third of a minute
		{1.990, 30 + 2},       // below counts three times
		{1.890, 330 + 1002},   // and crosses the floor
		{2.150, 150 + 2 + 50}, // a false stop
	} {
		o.Landing.ThinnestUM, o.Landing.AdvisedUM = c.um, c.um
		if got := w.Cost(&o); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%g µm costs %g, want %g", c.um, got, c.want)
		}
	}
	o.LandS = math.NaN()
	if got := w.Cost(&o); got != 72 {
		t.Errorf("not reached costs %g, want 72", got)
	}
	o.HasTruth = false
	if got := w.Cost(&o); !math.IsNaN(got) {
		t.Errorf("without truth it costs %g", got)
	}
}
