package trial

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/testspectra"
)

// The budget of a reading is about the one that the estimator gives.
func TestBudgetIsTheEstimators(t *testing.T) {
	wavelengthNM := make([]float64, 256)
	for i := range wavelengthNM {
		wavelengthNM[i] = 410 + 590*float64(i)/255
	}
	generator, err := testspectra.New(wavelengthNM, testspectra.Vuye)
	if err != nil {
		t.Fatal(err)
	}
	e, err := estimate.New(die.Setup{Ambient: "air", TemperatureC: 26.85,
		Under:     []die.Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}},
		Reflector: "Al", CoverageMin: 0.2, CoverageMax: 0.9}, wavelengthNM, estimate.Options{MaxUM: 3})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 1))
	r, err := e.Measure(generator.Spectrum(testspectra.Ordinary(rng, 1500, 1501), rng))
	if err != nil || r.Quality != estimate.Good {
		t.Fatalf("%v %s %v", r.Quality, r.Reason, err)
	}
	got := budget(r.ThicknessUM, r.FitSDUM, underlayerSDUM)
	for _, pair := range [][2]float64{{got.FitUM, r.Budget.FitUM}, {got.TableUM, r.Budget.TableUM},
		{got.TemperatureUM, r.Budget.TemperatureUM}, {got.WavelengthUM, r.Budget.WavelengthUM}, {got.UnderlayerUM, r.Budget.UnderlayerUM}} {
		if math.Abs(math.Log(pair[0]/pair[1])) > math.Log(1.6) {
			t.Errorf("budget %+v, the estimator's is %+v", got, r.Budget)
		}
	}
}

func TestReadingsAreAsGoodAsTheySay(t *testing.T) {
	const um = 1.5
	var shared, noise []float64
	counts := map[estimate.Quality]int{}
	slipped, n := 0, 0
	for i := range 400 {
		c := Draw(5, i)
		c.Sight.Slurry, c.Sight.Dropouts, c.Sight.Doubt = nil, nil, nil
		in := instrument{c: c, rng: c.stream(streamReadings)}
		first := math.NaN()
		for j := range 500 {
			r, ok := in.read(float64(j), 0, um)
			if !ok {
				t.Fatal("a dropout where there is none")
			}
			n++
			e := r.Estimate
			counts[e.Quality]++
			if e.Quality != estimate.Good {
				continue
			}
			if math.Abs(e.ThicknessUM-um) > 0.05 {
				slipped++
				continue
			}
			// The mean of a run is its shared error.
			if math.IsNaN(first) {
				first = e.ThicknessUM
				truth := um*(1+c.Sight.ScaleErr) + underlayerSDUM*c.Sight.UnderErr[0]
				shared = append(shared, (truth-um)/r.SystematicUM)
			}
			noise = append(noise, (e.ThicknessUM-um*(1+c.Sight.ScaleErr)-underlayerSDUM*c.Sight.UnderErr[0])/r.FitSDUM)
		}
	}
	share := func(what string, k int, want float64) {
		t.Helper()
		if sd := math.Sqrt(float64(n) * want * (1 - want)); math.Abs(float64(k)-want*float64(n)) > 4*sd {
			t.Errorf("%s: %d of %d readings, want a share of %g", what, k, n, want)
		}
	}
	share("flagged", counts[estimate.Ambiguous]+counts[estimate.Lost], 0.005)
	share("wrong by an order", slipped, 0.0005)
	for what, z := range map[string][]float64{"noise": noise, "shared error": shared} {
		m, sd := stat.MeanStdDev(z, nil)
		k := math.Sqrt(float64(len(z)))
		if math.Abs(m) > 4/k || math.Abs(sd-1) > 4/(math.Sqrt2*k) {
			t.Errorf("%s over what is stated: mean %g, standard deviation %g, want 0 and 1", what, m, sd)
		}
	}
}

func TestFaultsHideTheDie(t *testing.T) {
	c := Draw(5, 1)
	c.Sight.Slurry, c.Sight.Dropouts, c.Sight.Doubt = []Spell{{100, 300}}, []Spell{{400, 500}}, []Spell{{600, 700}}
	in := instrument{c: c, rng: c.stream(streamReadings)}
	for timeS := 0.0; timeS < 800; timeS++ {
		r, ok := in.read(timeS, 0, 0.8)
		switch {
		case timeS >= 400 && timeS < 500:
			if ok {
				t.Fatalf("a reading at %g s in a dropout", timeS)
			}
		case timeS >= 100 && timeS < 300:
			if r.Estimate.Quality == estimate.Good {
				t.Fatalf("a good reading at %g s behind slurry", timeS)
			}
		case timeS >= 600 && timeS < 700:
			e := r.Estimate
			if e.Quality != estimate.Ambiguous || len(e.Candidates) != 2 {
				t.Fatalf("at %g s: %v with %d candidates, want an ambiguous one with two", timeS, e.Quality, len(e.Candidates))
			}
			near := math.Min(math.Abs(e.Candidates[0].ThicknessUM-0.8), math.Abs(e.Candidates[1].ThicknessUM-0.8))
			if near > 0.03 || math.Abs(e.Candidates[0].Weight+e.Candidates[1].Weight-1) > 1e-12 {
				t.Fatalf("at %g s: candidates %+v", timeS, e.Candidates)
			}
		}
	}
}
