package guide

import (
	"testing"

	"bluefringe/removal"
	"bluefringe/removal/advice"
)

// BenchmarkNineSites is what a spectrum costs after its optics: the track of its site, the
// forecasts of all nine and of the thinnest place between them, and the advice.
func BenchmarkNineSites(b *testing.B) {
	var names []string
	places := map[string][2]float64{}
	for _, y := range []float64{-1, 0, 1} {
		for _, x := range []float64{-1, 0, 1} {
			name := string(rune('a' + len(names)))
			names = append(names, name)
			places[name] = [2]float64{2.5 * x, 2.5 * y}
		}
	}
	e, err := New(Config{
		Process: removal.Process{PrestonPerPa: 2.4e-13, ForceN: 1.4, PadMM: 3, SpeedMS: 0.25}, PrestonRelSD: 0.3,
		Advice: advice.Config{TargetUM: 2, FloorUM: 1.5, ReactionS: 2},
		PositionMM: func(site string) (float64, float64, bool) {
			p, ok := places[site]
			return p[0], p[1], ok
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	timeS, n := 0.0, 0
	b.ReportAllocs()
	for b.Loop() {
		name := names[n%len(names)]
		p := places[name]
		r := readingOf("vis", timeS, 40-1e-4*timeS+0.01*p[0]-0.002*p[1]*p[1], 0.001)
		r.Estimate.Site = name
		e.Take(r)
		timeS += 0.5
		n++
	}
}
