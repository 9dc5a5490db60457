package estimate

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// Cold start on spectra of another silicon table, with oxide, coverage, spread
// and lamp drift unknown.
func TestColdStart(t *testing.T) {
	w := pixels(410, 1000, 1024)
	g := newGenerator(t, w)
	e, err := New(commonDie(), w, Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 1))
	const spectra = 200
	var count [4]int
	wrong, covered, told := 0, 0, 0
	for range spectra {
		s := randomSpecimen(rng, 150, 8000)
		r, err := e.Measure(g.spectrum(s, rng))
		if err != nil {
			t.Fatal(err)
		}
		count[r.Quality]++
		if r.Quality > Weak {
			continue
		}
		d := s.thicknessNM / 1000
		miss := math.Abs(r.ThicknessUM - d)
		told++
		if miss <= 1.96*r.SDUM {
			covered++
		}
		if miss > math.Max(0.003, 0.003*d) {
			wrong++
			t.Logf("%+v: read %.4f sd %.4f %v spread %.4f cov %.2f oxide %.0f scale %.3f res %.4f cands %v", s, r.ThicknessUM, r.SDUM, r.Quality, r.SpreadUM, r.Coverage, r.UnderNM, r.Scale, r.Residual, r.Candidates)
		}
	}
	t.Logf("good %d, weak %d, ambiguous %d, lost %d of %d; wrong %d; inside 95 %% interval %d of %d",
		count[Good], count[Weak], count[Ambiguous], count[Lost], spectra, wrong, covered, told)
	if wrong > spectra/100 {
		t.Errorf("%d of %d outside max(3 nm, 0.3 %%) and not flagged", wrong, spectra)
	}
	if flagged := count[Ambiguous] + count[Lost]; flagged > spectra/20 {
		t.Errorf("%d of %d flagged", flagged, spectra)
	}
}

func TestNothingToRead(t *testing.T) {
	w := pixels(410, 1000, 512)
	e, err := New(commonDie(), w, Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(4, 1))
	cases := map[string]func(i int) float64{
		"noise":       func(int) float64 { return 0.35 + 0.05*rng.NormFloat64() },
		"flat":        func(int) float64 { return 0.35 },
		"dark":        func(int) float64 { return math.NaN() },
		"zero":        func(int) float64 { return 0 },
		"huge":        func(int) float64 { return 1e300 },
		"infinite":    func(int) float64 { return math.Inf(1) },
		"slow change": func(i int) float64 { return 0.3 + 0.1*float64(i)/512 },
	}
	for name, f := range cases {
		r := make([]float64, len(w))
		for i := range r {
			r[i] = f(i)
		}
		got, err := e.Measure(r)
		if err != nil {
			t.Fatal(err)
		}
		if got.Quality != Lost || !math.IsNaN(got.ThicknessUM) || got.Reason == "" {
			t.Errorf("%s: %v, %g µm, %q", name, got.Quality, got.ThicknessUM, got.Reason)
		}
	}
	if _, err := e.Measure(make([]float64, 3)); !errors.Is(err, ErrLength) {
		t.Errorf("three pixels: %v", err)
	}
}

// The same spectrum must read the same whatever was measured before: nothing is
// left behind in the workspace.
func TestMeasureKeepsNoHistory(t *testing.T) {
	w := pixels(950, 420, 512) // falling: the order of pixels must not matter either
	g := newGenerator(t, w)
	e, err := New(commonDie(), w, Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 1))
	a := g.spectrum(randomSpecimen(rng, 1500, 3000), rng)
	b := g.spectrum(randomSpecimen(rng, 300, 900), rng)
	first, _ := e.Measure(a)
	if _, err := e.Measure(b); err != nil {
		t.Fatal(err)
	}
	second, _ := e.Measure(a)
	if first.ThicknessUM != second.ThicknessUM || first.SDUM != second.SDUM || first.SpreadUM != second.SpreadUM {
		t.Errorf("first %v, after another spectrum %v", first.ThicknessUM, second.ThicknessUM)
	}
}

// Saturated, dead and spiked pixels must not move a reading.
func TestBadPixels(t *testing.T) {
	w := pixels(420, 980, 768)
	g := newGenerator(t, w)
	e, err := New(commonDie(), w, Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(6, 1))
	s := randomSpecimen(rng, 1990, 2010)
	r := g.spectrum(s, rng)
	for range 8 {
		r[rng.IntN(len(r))] = 0   // dead
		r[rng.IntN(len(r))] = 1.4 // spike
	}
	for i := 300; i < 330; i++ {
		r[i] = math.NaN() // saturated
	}
	got, err := e.Measure(r)
	if err != nil {
		t.Fatal(err)
	}
	if got.Quality > Weak || math.Abs(got.ThicknessUM*1000-s.thicknessNM) > 6 {
		t.Errorf("%v %.4f µm, want %.4f", got.Quality, got.ThicknessUM, s.thicknessNM/1000)
	}
}

func BenchmarkCold1024(b *testing.B) {
	w := pixels(410, 1000, 1024)
	g := newGenerator(b, w)
	e, err := New(commonDie(), w, Options{})
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(7, 1))
	spectrum := g.spectrum(randomSpecimen(rng, 2000, 2001), rng)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Measure(spectrum); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkNew(b *testing.B) {
	w := pixels(410, 1000, 1024)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := New(commonDie(), w, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The spike filter must take spikes and leave fringes, also coarse ones.
func TestSpikeFilterLeavesFringes(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	for _, period := range []float64{4.5, 5, 6.6, 10, 50} {
		r := make([]float64, 400)
		for i := range r {
			r[i] = 0.35 + 0.05*math.Cos(2*math.Pi*float64(i)/period) + 0.001*rng.NormFloat64()
		}
		for i, v := range withoutSpikes(r) {
			if math.IsNaN(v) {
				t.Errorf("%g pixels a fringe: pixel %d taken for a spike", period, i)
			}
		}
		r[200] += 0.6
		if !math.IsNaN(withoutSpikes(r)[200]) {
			t.Errorf("%g pixels a fringe: spike left in", period)
		}
	}
}
