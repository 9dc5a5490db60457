package estimate

import (
	"math"
	"strings"
	"testing"

	"bluefringe/optics/die"
	"bluefringe/optics/material"
)

// What a channel can reach, by hand from the index and the absorption of silicon that
// M. A. Green prints (Sol. Energy Mater. Sol. Cells 92 (2008) 1305): half a fringe between
// two wavelengths is 2d(n₁/λ₁-n₂/λ₂) = 1/2; at 600 nm, where a band from 410 nm ends,
// α = 4.14e3 per cm leaves 2 % of the amplitude, exp(-αd), after 9.4 µm.
func TestReach(t *testing.T) {
	si, err := material.Lookup("Si")
	if err != nil {
		t.Fatal(err)
	}
	n := func(nm float64) float64 {
		index, err := si.Index(nm, 25)
		if err != nil {
			t.Fatal(err)
		}
		return real(index)
	}
	limits := func(from, to, resolutionNM float64) (low, high float64) {
		setup := commonDie()
		setup.ResolutionNM = resolutionNM
		e, err := New(setup, pixels(from, to, 300), Options{})
		if err != nil {
			t.Fatal(err)
		}
		return e.options.MinUM, e.options.MaxUM
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got/want-1) > 0.05 {
			t.Errorf("%s: %.3f µm, by hand %.3f", what, got, want)
		}
	}
	low, _ := limits(900, 1000, 0)
	near("least from 900 to 1000 nm", low, 0.25/(n(900)/0.9-n(1000)/1.0))
	low, high := limits(410, 600, 0)
	near("most from 410 to 600 nm", high, math.Log(50)/0.414)
	if low != 0.1 {
		t.Errorf("the blue shows 0.1 µm, limit %.3f", low)
	}
	if _, blurred := limits(410, 600, 6); !(blurred < 0.6*high) {
		t.Errorf("limit %.3f µm with a line of 6 nm, %.3f without", blurred, high)
	}
	setup := commonDie()
	setup.ResolutionNM = 300
	if _, err := New(setup, pixels(900, 1000, 300), Options{}); err == nil || !strings.Contains(err.Error(), "no thickness") {
		t.Errorf("a line of 300 nm: %v", err)
	}
}

// Thickness is told up to where the spacing of the fringes tells their order: in every
// channel that reaches to 1000 nm over the whole range of its goal, and less far where only
// a few fringes beside each other are seen. Beyond, no order is preferred, so that no track
// starts there.
func TestOrdersThatCannotBeTold(t *testing.T) {
	most := map[float64]float64{}
	for _, to := range []float64{650, 720, 850, 1000} {
		w := pixels(430, to, 512)
		e, err := New(commonDie(), w, Options{})
		if err != nil {
			t.Fatal(err)
		}
		_, most[to] = e.Limits()
		beyond := 1.1 * most[to]
		model, err := die.NewModel(commonDie(), w, 0)
		if err != nil {
			t.Fatal(err)
		}
		shown := model.NewEvaluation()
		model.Evaluate(shown, model.Nominal(1000*beyond))
		r, err := e.Measure(shown.Reflectance)
		if err != nil {
			t.Fatal(err)
		}
		if r.Quality != Ambiguous || len(r.Candidates) != 0 || !strings.Contains(r.Reason, "too thick to tell orders") {
			t.Errorf("to %g nm: %.2f µm of a limit of %.2f reads %v %s, candidates %v", to, beyond, most[to], r.Quality, r.Reason, r.Candidates)
		}
	}
	if !(most[650] < most[720] && most[720] < most[850] && most[850] < most[1000] && most[1000] > 8) {
		t.Errorf("µm told by end of the channel: %.2f", most)
	}
}
