package estimate

import (
	"math"
	"strings"
	"testing"

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
		return e.Limits()
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got/want-1) > 0.05 {
			t.Errorf("%s: %.3f µm, by hand %.3f", what, got, want)
		}
	}
	low, high := limits(900, 1000, 0)
	near("least from 900 to 1000 nm", low, 0.25/(n(900)/0.9-n(1000)/1.0))
	if high != 12 {
		t.Errorf("at 1000 nm silicon hides nothing of 12 µm, limit %.3f", high)
	}
	low, high = limits(410, 600, 0)
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
