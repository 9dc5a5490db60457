package guide

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
)

func testDie() die.Setup {
	return die.Setup{Ambient: "air", TemperatureC: 25,
		Under:     []die.Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}},
		Reflector: "Al", CoverageMin: 0.2, CoverageMax: 0.9}
}

func wavelengths() []float64 {
	w := make([]float64, 256)
	for i := range w {
		w[i] = 430 + 2*float64(i)
	}
	return w
}

// bench makes spectra of a die and feeds an engine.
type bench struct {
	t     *testing.T
	model *die.Model
	rng   *rand.Rand
}

func newBench(t *testing.T) *bench {
	t.Helper()
	model, err := die.NewModel(testDie(), wavelengths(), 0)
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t, model, rand.New(rand.NewPCG(1, 7))}
}

func (b *bench) engine(change func(*Config)) *Engine {
	b.t.Helper()
	c := Config{
		Die:          testDie(),
		WavelengthNM: func(string) []float64 { return wavelengths() },
		Process:      removal.Process{PrestonPerPa: 2.4e-13, ForceN: 1.4, PadMM: 3, SpeedMS: 0.25}, // 0.713 µm/min
		PrestonRelSD: 0.3,
		Advice:       advice.Config{TargetUM: 2, FloorUM: 1.5, ReactionS: 2, RiskFloor: 1e-3, PrepareS: 20},
	}
	if change != nil {
		change(&c)
	}
	e, err := New(c)
	if err != nil {
		b.t.Fatal(err)
	}
	return e
}

func (b *bench) spectrum(timeS, thicknessUM float64, site string) Spectrum {
	p := b.model.Nominal(thicknessUM * 1000)
	e := b.model.NewEvaluation()
	b.model.Evaluate(e, p)
	r := make([]float64, len(e.Reflectance))
	for i := range r {
		r[i] = e.Reflectance[i] + 0.003*b.rng.NormFloat64()
	}
	return Spectrum{TimeS: timeS, Channel: "vis", Site: site, Reflectance: r}
}

func (b *bench) noise(timeS float64, site string) Spectrum {
	r := make([]float64, len(wavelengths()))
	for i := range r {
		r[i] = 0.2 + 0.01*b.rng.NormFloat64()
	}
	return Spectrum{TimeS: timeS, Channel: "vis", Site: site, Reflectance: r}
}

func feed(t *testing.T, e *Engine, s Spectrum) []Step {
	t.Helper()
	steps, err := e.Spectrum(s)
	if err != nil {
		t.Fatal(err)
	}
	return steps
}

func last(steps []Step) Step { return steps[len(steps)-1] }

const rateUMS = 0.8 / 60

func TestRunToTheTarget(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	seen := map[advice.Level]float64{}
	for timeS := 0.0; timeS < 60; timeS++ {
		um := 2.6 - rateUMS*timeS
		step := last(feed(t, e, b.spectrum(timeS, um, "c")))
		if step.Estimate == nil || step.Estimate.Quality != estimate.Good || math.Abs(step.Estimate.ThicknessUM-um) > 0.003 {
			t.Fatalf("at %g s: %+v, truth %.4f µm", timeS, step.Estimate, um)
		}
		if _, ok := seen[step.Advice.Level]; !ok {
			seen[step.Advice.Level] = timeS
		}
	}
	// 0.6 µm at 0.8 µm/min are 45 s; stop is due two seconds before.
	if s := seen[advice.Stop]; s < 42 || s > 43 {
		t.Errorf("stop at %g s, want 42 to 43 s", s)
	}
	if p := seen[advice.Prepare]; p < 20 || p > 25 {
		t.Errorf("prepare at %g s, want about 20 s before stop", p)
	}
}

// Word comes at least every two seconds of contact without spectra, and the advice
// goes from blind to stop before the floor can have been reached.
func TestBlindStretch(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	for timeS := 0.0; timeS < 20; timeS++ {
		feed(t, e, b.spectrum(timeS, 2.8-rateUMS*timeS, "c"))
	}
	steps := e.Advance(120)
	spoke, blind, stop := 19.0, 0.0, 0.0
	for _, s := range steps {
		if s.TimeS-spoke > 2 {
			t.Errorf("silent from %g to %g s", spoke, s.TimeS)
		}
		spoke = s.TimeS
		if s.Estimate != nil {
			t.Errorf("an estimate at %g s without a spectrum", s.TimeS)
		}
		if s.Advice.Level == advice.Blind && blind == 0 {
			blind = s.TimeS
		}
		if s.Advice.Level == advice.Stop && stop == 0 {
			stop = s.TimeS
		}
	}
	floorS := (2.8 - 1.5) / rateUMS
	if !(blind > 19 && blind < stop && stop+2 < floorS) {
		t.Errorf("blind at %g s, stop at %g s, floor reached at %g s", blind, stop, floorS)
	}
}

// Spectra that show nothing are no sight either.
func TestLostSpectraAreBlind(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	for timeS := 0.0; timeS < 20; timeS++ {
		feed(t, e, b.spectrum(timeS, 2.8-rateUMS*timeS, "c"))
	}
	level := advice.Continue
	for timeS := 20.0; timeS < 50; timeS++ {
		step := last(feed(t, e, b.noise(timeS, "c")))
		if step.Estimate.Quality != estimate.Lost || !math.IsNaN(step.Estimate.ThicknessUM) {
			t.Fatalf("noise read as %+v", step.Estimate)
		}
		level = max(level, step.Advice.Level)
	}
	if level < advice.Blind {
		t.Errorf("30 s of noise gave the advice %v", level)
	}
}

// How often time passes must not change what later spectra give.
func TestAdvanceChangesNothing(t *testing.T) {
	run := func(every float64) []Step {
		b := newBench(t)
		e := b.engine(nil)
		var out []Step
		for timeS := 0.0; timeS < 10; timeS += 0.5 {
			out = append(out, last(feed(t, e, b.spectrum(timeS, 3-rateUMS*timeS, "c"))))
			for tick := timeS; every > 0 && tick < timeS+0.5; tick += every {
				e.Advance(tick)
			}
		}
		return out
	}
	a, b := run(0), run(0.07)
	for i := range a {
		if a[i].Forecast != b[i].Forecast || fmt.Sprint(a[i].Advice) != fmt.Sprint(b[i].Advice) || // NaN is no NaN's equal
			a[i].Estimate.ThicknessUM != b[i].Estimate.ThicknessUM {
			t.Fatalf("step %d: %+v and %+v", i, a[i].Forecast, b[i].Forecast)
		}
	}
}

func TestThinnestOfSeveralSites(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	offset := map[string]float64{"c": 0.1, "ne": 0, "sw": 0.2}
	for i := range 15 {
		timeS := float64(i)
		site := []string{"c", "ne", "sw"}[i%3]
		step := last(feed(t, e, b.spectrum(timeS, 2.5+offset[site]-rateUMS*timeS, site)))
		if step.Forecast.Site != site {
			t.Errorf("forecast of %q for a spectrum of %q", step.Forecast.Site, site)
		}
		if i > 3 && step.Advice.Site != "ne" {
			t.Errorf("at %g s the thinnest is %q", timeS, step.Advice.Site)
		}
	}
}

// Lifting is told at once, and releases a stop.
func TestContact(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	up, down := false, true
	e.Process(ProcessChange{TimeS: 0, Contact: &down})
	for timeS := 0.0; timeS < 30; timeS++ {
		feed(t, e, b.spectrum(timeS, 2.35-rateUMS*timeS, "c"))
	}
	steps := e.Process(ProcessChange{TimeS: 30, Contact: &up})
	if len(steps) == 0 || last(steps).Forecast.Contact {
		t.Fatalf("lifting gave %+v", steps)
	}
	if steps := e.Advance(100); steps != nil {
		t.Errorf("%d steps while the pad is up", len(steps))
	}
	// Nothing is removed while the pad is up.
	before := last(steps).Forecast.ThicknessUM
	after := last(feed(t, e, b.spectrum(100, 2.35-rateUMS*30, "c"))).Forecast.ThicknessUM
	if math.Abs(before-after) > 0.01 {
		t.Errorf("%.4f µm before and %.4f µm after 70 s without contact", before, after)
	}
}

// Twice the force is twice the rate, at once.
func TestForceActsAtOnce(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	var step Step
	for timeS := 0.0; timeS < 20; timeS++ {
		step = last(feed(t, e, b.spectrum(timeS, 4-rateUMS*timeS, "c")))
	}
	before := step.Forecast.RateUMMin
	double := 2.8
	e.Process(ProcessChange{TimeS: 20, ForceN: &double})
	steps := e.Advance(22)
	if got := last(steps).Forecast.RateUMMin; math.Abs(got/before-2) > 0.02 {
		t.Errorf("rate %.3f before and %.3f µm/min after doubling the force", before, got)
	}
}

// From thick to thin silicon: near-infrared spectra read what the visible cannot, both
// where both can, and the track passes from one to the other without a jump.
func TestHandover(t *testing.T) {
	infrared := make([]float64, 400)
	for i := range infrared {
		infrared[i] = 1000 + 1.75*float64(i)
	}
	b := newBench(t)
	model, err := die.NewModel(testDie(), infrared, 0)
	if err != nil {
		t.Fatal(err)
	}
	nir := &bench{t, model, b.rng}
	e := b.engine(func(c *Config) {
		c.WavelengthNM = func(channel string) []float64 {
			if channel == "nir" {
				return infrared
			}
			return wavelengths()
		}
	})
	const umS, everyS = rateUMS, 8
	good := map[string]int{}
	before := math.NaN()
	for timeS := 0.0; timeS < 520; timeS += everyS {
		truth := 10 - umS*timeS
		var step Step
		if truth > 3.5 {
			s := nir.spectrum(timeS, truth, "c")
			s.Channel = "nir"
			step = last(feed(t, e, s))
			if step.Estimate.Quality == estimate.Good {
				good["nir"]++
			}
		}
		step = last(feed(t, e, b.spectrum(timeS+0.5, truth-umS*0.5, "c")))
		if step.Estimate.Quality == estimate.Good {
			good["vis"]++
		}
		f := step.Forecast
		if miss := f.ThicknessUM - (truth - umS*0.5); timeS > 10 && math.Abs(miss) > 0.02+3*f.SDUM {
			t.Errorf("at %g s: track %.3f µm, truth %.3f µm", timeS, f.ThicknessUM, truth-umS*0.5)
		}
		if fall := before - f.ThicknessUM; timeS > 12 && math.Abs(fall-everyS*umS) > 0.03 {
			t.Errorf("at %g s the track falls by %.3f µm, the die by %.3f", timeS, fall, everyS*umS)
		}
		before = f.ThicknessUM
	}
	if good["nir"] < 30 || good["vis"] < 20 {
		t.Errorf("good readings: %v", good)
	}
}

func TestTimesOutOfOrder(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	for _, timeS := range []float64{0, 1, 2, 1.5, 2, 2, 3, 0.1, 4} {
		step := last(feed(t, e, b.spectrum(timeS, 3-rateUMS*timeS, "c")))
		if math.IsNaN(step.Forecast.ThicknessUM) || math.Abs(step.Forecast.ThicknessUM-(3-rateUMS*step.TimeS)) > 0.02 {
			t.Errorf("at %g s: %+v", timeS, step.Forecast)
		}
	}
}

// A leap in time must not cost without bound.
func TestLeapInTime(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	feed(t, e, b.spectrum(0, 3, "c"))
	if n := len(e.Advance(1e15)); n > maxBlindSteps+1 {
		t.Errorf("%d steps", n)
	}
}

func TestUnknownChannel(t *testing.T) {
	b := newBench(t)
	e := b.engine(func(c *Config) { c.WavelengthNM = func(string) []float64 { return nil } })
	if _, err := e.Spectrum(b.spectrum(0, 3, "c")); err == nil {
		t.Error("no error")
	}
}

// Two engines on one input agree in every bit.
func TestSameInputSameOutput(t *testing.T) {
	run := func() []Step {
		b := newBench(t)
		e := b.engine(nil)
		var out []Step
		for timeS := 0.0; timeS < 8; timeS++ {
			out = append(out, feed(t, e, b.spectrum(timeS, 3-rateUMS*timeS, "c"))...)
		}
		for i := range out {
			out[i].Estimate, out[i].Reading = nil, Reading{} // pictures hold NaN, which equals nothing
		}
		return out
	}
	if a, b := run(), run(); fmt.Sprint(a) != fmt.Sprint(b) {
		t.Error("two runs differ")
	}
}

// Readings that were kept give what their spectra gave.
func TestTakeIsSpectrum(t *testing.T) {
	b := newBench(t)
	e := b.engine(nil)
	var told []Step
	var readings []Reading
	for timeS := 0.0; timeS < 12; timeS += 1.5 {
		steps := feed(t, e, b.spectrum(timeS, 3-rateUMS*timeS, "c"))
		told = append(told, steps...)
		readings = append(readings, last(steps).Reading)
	}
	again := b.engine(func(c *Config) { c.WavelengthNM = nil })
	var taken []Step
	for _, r := range readings {
		taken = append(taken, again.Take(r)...)
	}
	if fmt.Sprint(told) != fmt.Sprint(taken) {
		t.Error("readings give other steps than their spectra")
	}
}

func BenchmarkSpectrum(b *testing.B) {
	model, err := die.NewModel(testDie(), wavelengths(), 0)
	if err != nil {
		b.Fatal(err)
	}
	e, err := New(Config{Die: testDie(), WavelengthNM: func(string) []float64 { return wavelengths() }, PrestonRelSD: 0.3,
		Process: removal.Process{PrestonPerPa: 2.4e-13, ForceN: 1.4, PadMM: 3, SpeedMS: 0.25},
		Advice:  advice.Config{TargetUM: 2, FloorUM: 1.5, ReactionS: 2, RiskFloor: 1e-3, PrepareS: 20}})
	if err != nil {
		b.Fatal(err)
	}
	ev := model.NewEvaluation()
	model.Evaluate(ev, model.Nominal(3000))
	timeS := 0.0
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Spectrum(Spectrum{TimeS: timeS, Channel: "vis", Site: "c", Reflectance: ev.Reflectance}); err != nil {
			b.Fatal(err)
		}
		timeS += 0.5
	}
}
