package simulate

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"bluefringe/device/event"
	"bluefringe/optics"
)

// bodies runs a configuration to its end.
func bodies(t testing.TB, cfg Config) []event.Body {
	t.Helper()
	var list []event.Body
	if err := Run(context.Background(), cfg, func(b event.Body) error {
		list = append(list, b)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return list
}

func record(t testing.TB, cfg Config) []byte {
	t.Helper()
	return lines(t, bodies(t, cfg))
}

func lines(t testing.TB, list []event.Body) []byte {
	t.Helper()
	var out []byte
	for _, b := range list {
		var err error
		if out, err = event.Append(out, b); err != nil {
			t.Fatal(err)
		}
		out = append(out, '\n')
	}
	return out
}

func pick[T event.Body](list []event.Body) []T {
	var out []T
	for _, b := range list {
		if v, ok := b.(T); ok {
			out = append(out, v)
		}
	}
	return out
}

// truths returns the true thickness of a site by time, in order.
func truths(list []event.Body, site string) (timeS, um []float64) {
	for _, v := range pick[event.Truth](list) {
		if v.Site == site {
			timeS, um = append(timeS, v.TimeS), append(um, v.ThicknessUM)
		}
	}
	return timeS, um
}

// quiet is one site without noise, faults or drift, with Green's silicon.
func quiet() Config {
	cfg := Default()
	cfg.Sites = []Site{{Name: "c", Coverage: 0.6}}
	cfg.Die.Silicon, cfg.Die.RoughnessNM, cfg.Die.TemperatureC = "green", 0, 26.85
	cfg.Removal = Removal{RateUMMin: 0.713, ForceN: 1.4, PadMM: 3, SpeedMS: 0.25, ContactS: 1}
	cfg.Instrument = Instrument{
		Pixels: 512, FromNM: 420, ToNM: 1000, SpectraPerS: 2,
		LampK: 3200, LampCounts: 58000, DarkCounts: 1100,
	}
	cfg.Faults = Faults{}
	cfg.Stop = Stop{DurationS: 10}
	return cfg
}

// calibrated does the arithmetic of a calibration, (counts-dark)/(reference-dark)
// times the reflectance of bare silicon, and returns what rounding to whole counts
// can do to each value.
func calibrated(t testing.TB, cfg Config, list []event.Body, counts event.Values) (r, rounding, wavelengthNM []float64) {
	t.Helper()
	wavelengthNM = pick[event.Run](list)[0].Channels["vis"].WavelengthNM
	silicon, err := siliconIndex("green", cfg.Die.TemperatureC)
	if err != nil {
		t.Fatal(err)
	}
	air, err := materialIndex("air", cfg.Die.TemperatureC)
	if err != nil {
		t.Fatal(err)
	}
	dark, reference := pick[event.Dark](list)[0].Counts, pick[event.Reference](list)[0].Counts
	for i, nm := range wavelengthNM {
		si, err := silicon(nm)
		if err != nil {
			t.Fatal(err)
		}
		n0, err := air(nm)
		if err != nil {
			t.Fatal(err)
		}
		known := optics.Reflectance(nm, n0, nil, si, 0, optics.S)
		light := reference[i] - dark[i]
		value := (counts[i] - dark[i]) / light
		r = append(r, known*value)
		rounding = append(rounding, known*(1+value)/(light-1))
	}
	return r, rounding, wavelengthNM
}

func TestSameSeedSameBytes(t *testing.T) {
	cfg := Default()
	cfg.Instrument.Pixels, cfg.Stop.DurationS = 32, 60
	a, b := record(t, cfg), record(t, cfg)
	if !bytes.Equal(a, b) {
		t.Error("the same seed gives different bytes")
	}
	cfg.Seed++
	if bytes.Equal(a, record(t, cfg)) {
		t.Error("another seed gives the same bytes")
	}
}

// Streams of random numbers are apart: a fault does not change the removal.
func TestFaultsLeaveRemovalAlone(t *testing.T) {
	cfg := Default()
	cfg.Instrument.Pixels, cfg.Stop.DurationS = 4, 60
	_, with := truths(bodies(t, cfg), "ne")
	cfg.Faults, cfg.Instrument.SpikesPerMin = Faults{Dropout: Fault{At: []Episode{{10, 20}}}}, 600
	_, without := truths(bodies(t, cfg), "ne")
	if len(with) < 100 || !reflect.DeepEqual(with, without) {
		t.Errorf("%d and %d truths, which should be the same", len(with), len(without))
	}
}

func TestQuietSpectraAreStackReflectance(t *testing.T) {
	cfg := quiet()
	list := bodies(t, cfg)
	_, um := truths(list, "c")
	spectra := pick[event.Spectrum](list)
	if len(spectra) != 19 || len(um) != 19 {
		t.Fatalf("%d spectra and %d truths, want 19", len(spectra), len(um))
	}
	at := map[string]indexFunc{}
	for _, name := range []string{"Si", "SiO2", "Al", "air"} {
		index, err := materialIndex(name, cfg.Die.TemperatureC)
		if err != nil {
			t.Fatal(err)
		}
		at[name] = index
	}
	for j, s := range spectra {
		got, rounding, w := calibrated(t, cfg, list, s.Counts)
		for i, nm := range w {
			var v [4]complex128
			for k, name := range []string{"Si", "SiO2", "Al", "air"} {
				var err error
				if v[k], err = at[name](nm); err != nil {
					t.Fatal(err)
				}
			}
			silicon := optics.Layer{Index: v[0], ThicknessNM: 1000 * um[j]}
			oxide := optics.Layer{Index: v[1], ThicknessNM: 815}
			metal := optics.Reflectance(nm, v[3], []optics.Layer{silicon, oxide}, v[2], 0, optics.S)
			bare := optics.Reflectance(nm, v[3], []optics.Layer{silicon}, v[1], 0, optics.S)
			near(t, fmt.Sprintf("spectrum %d at %g nm", j, nm), got[i], 0.6*metal+0.4*bare, rounding[i]+1e-6)
		}
	}
}

// Neighbouring maxima of a film of 5 µm lie 1/(2·ng·d) apart in wavenumber. ng from
// published tables: in the visible the smooth derivative of M. A. Green 2008 (2 %),
// at 1300 nm H. H. Li, J. Phys. Chem. Ref. Data 9 (1980) 561 (1 %).
func TestFringeSpacingIsGroupIndex(t *testing.T) {
	for _, c := range []struct{ nm, span, group, part float64 }{
		{700, 25, 4.65, 0.02}, {800, 30, 4.27, 0.02}, {900, 40, 4.06, 0.02}, {1000, 45, 3.92, 0.02}, {1300, 85, 3.673, 0.01},
	} {
		cfg := quiet()
		cfg.Sites[0].Coverage = 0
		cfg.Die.ThicknessUM, cfg.Die.Under, cfg.Die.Reflector = 5, nil, ""
		cfg.Removal.RateUMMin, cfg.Stop.DurationS = 0, 1
		cfg.Instrument.FromNM, cfg.Instrument.ToNM, cfg.Instrument.Pixels = c.nm-c.span, c.nm+c.span, 700
		list := bodies(t, cfg)
		r, _, w := calibrated(t, cfg, list, pick[event.Spectrum](list)[0].Counts)
		// A parabola through the samples around a maximum gives its place well
		// below the pixel.
		var peaks []float64
		const half = 25
		for i := half; i < len(r)-half; i++ {
			top := true
			for j := i - half; j <= i+half; j++ {
				top = top && r[j] <= r[i]
			}
			if top && (len(peaks) == 0 || w[i]-peaks[len(peaks)-1] > half*(w[1]-w[0])) {
				shift := 0.5 * half * (r[i-half] - r[i+half]) / (r[i-half] - 2*r[i] + r[i+half])
				peaks = append(peaks, w[i]+shift*(w[1]-w[0]))
			}
		}
		if len(peaks) < 2 {
			t.Fatalf("%g nm: only %d maxima", c.nm, len(peaks))
		}
		last := len(peaks) - 1
		group := float64(last) / (2 * 5000 * (1/peaks[0] - 1/peaks[last]))
		near(t, fmt.Sprintf("group index from %d fringes around %g nm", last, c.nm), group, c.group, c.part*c.group)
	}
}

func TestTruthFallsInContactOnly(t *testing.T) {
	cfg := Default()
	cfg.Instrument.Pixels = 4
	cfg.Removal.ContactS = 3
	cfg.Removal.Changes = []Change{
		{TimeS: 20.2, Contact: new(false)},
		{TimeS: 30.2, Contact: new(true)},
	}
	cfg.Faults.Dropout = Fault{At: []Episode{{StartS: 10, DurationS: 5}}}
	cfg.Stop = Stop{DurationS: 40}
	list := bodies(t, cfg)
	for _, site := range cfg.Sites {
		timeS, um := truths(list, site.Name)
		if len(um) != 79 {
			t.Fatalf("%d truths of %s, want one at every half second from 1 to 40", len(um), site.Name)
		}
		near(t, "first truth of "+site.Name, um[0], cfg.Die.startUM(site), 1e-6)
		for i := 1; i < len(um); i++ {
			off := timeS[i] <= 3 || (timeS[i-1] >= 20.2 && timeS[i] <= 30.2)
			if off && um[i] != um[i-1] {
				t.Errorf("%s at %g s: %g to %g µm without contact", site.Name, timeS[i], um[i-1], um[i])
			}
			if !off && um[i] >= um[i-1] {
				t.Errorf("%s at %g s: %g to %g µm in contact", site.Name, timeS[i], um[i-1], um[i])
			}
		}
	}
	for _, s := range pick[event.Spectrum](list) {
		if s.TimeS >= 10 && s.TimeS < 15 {
			t.Errorf("a spectrum at %g s, in the dropout", s.TimeS)
		}
	}
	if n := len(pick[event.Spectrum](list)); n != 79-10 {
		t.Errorf("%d spectra, want 69", n)
	}
}

// R0·exp(-t/τ) removes R0·τ·(1-exp(-t/τ)): 500 nm/min and 10 min remove 1967.3467
// nm in 5 min. And at the same pressure a pad of 5 mm needs 6.25 times the force of
// one of 2 mm (F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214: P = F/A).
func TestRemovalClosedForms(t *testing.T) {
	cfg := quiet()
	cfg.Instrument.Pixels, cfg.Instrument.SpectraPerS = 4, 1.7
	cfg.Removal.RateUMMin, cfg.Removal.GlazingS = 0.5, 600
	cfg.Stop.DurationS = 301
	removed := func() float64 {
		_, um := truths(bodies(t, cfg), "c")
		return 1000 * (um[0] - um[len(um)-1])
	}
	near(t, "removed by a glazing pad, nm", removed(), 1967.3467, 0.01)

	cfg.Removal.GlazingS, cfg.Removal.BreakIn, cfg.Removal.BreakInS = 0, 0.4, 7
	want := 500.0 / 60 * (300 - 0.4*7*(1-math.Exp(-300.0/7)))
	near(t, "removed by a pad that breaks in, nm", removed(), want, 0.01)

	cfg.Removal.BreakIn, cfg.Removal.PrestonFactor, cfg.Sites[0].Dwell = 0, 1.2, 0.5
	near(t, "removed at half the dwell, nm", removed(), 2500*1.2*0.5, 0.01)

	cfg.Removal.PrestonFactor, cfg.Sites[0].Dwell, cfg.Removal.PadMM = 0, 0, 2
	cfg.Removal.Changes = []Change{{TimeS: 1, ForceN: new(1.4 * 6.25), PadMM: new(5.0)}}
	near(t, "removed at the same pressure, nm", removed(), 2500, 0.01)
	cfg.Removal.Changes = []Change{{TimeS: 151, ForceN: new(2.8), SpeedMS: new(0.125)}}
	near(t, "removed at twice the force and half the speed, nm", removed(), 2500, 0.01)
	cfg.Removal.Changes = []Change{{TimeS: 151, ForceN: new(2.8)}}
	near(t, "removed at twice the force for half the time, nm", removed(), 3750, 0.01)
}

// A thickness does not depend on how often it is asked for.
func TestTruthDoesNotDependOnSpectra(t *testing.T) {
	end := func(perS float64) float64 {
		cfg := quiet()
		cfg.Instrument.Pixels, cfg.Instrument.SpectraPerS = 4, perS
		cfg.Removal.BreakIn, cfg.Removal.BreakInS, cfg.Removal.GlazingS = 0.5, 2, 50
		cfg.Stop.DurationS = 61
		_, um := truths(bodies(t, cfg), "c")
		return um[len(um)-1]
	}
	near(t, "µm after a minute", end(0.05), end(20), 1e-5)
}

func TestWanderStatistics(t *testing.T) {
	cfg := quiet()
	cfg.Instrument.Pixels, cfg.Instrument.SpectraPerS = 2, 0.5
	cfg.Die.ThicknessUM = 500
	cfg.Removal.WanderSD, cfg.Removal.WanderS = 0.1, 5
	cfg.Stop.DurationS = 8001
	_, um := truths(bodies(t, cfg), "c")
	var sum, square, lag float64
	var logs []float64
	for i := 1; i < len(um); i++ {
		logs = append(logs, math.Log((um[i-1]-um[i])/2*60/0.713))
	}
	for _, x := range logs {
		sum += x
	}
	mean := sum / float64(len(logs))
	for i, x := range logs {
		square += (x - mean) * (x - mean)
		if i > 0 {
			lag += (x - mean) * (logs[i-1] - mean)
		}
	}
	// Means over 2 s of an Ornstein-Uhlenbeck process of 5 s, a = 2/5: variance
	// 2(a-1+e^-a)/a², covariance of neighbours (1-e^-a)²/a². The tolerances are
	// four standard errors of 4000 values with 800 s of independent time.
	a := 0.4
	variance := 2 * (a - 1 + math.Exp(-a)) / (a * a)
	neighbours := math.Pow((1-math.Exp(-a))/a, 2)
	near(t, "mean of the log", mean, 0, 4*0.1*math.Sqrt(2*5/8000.0))
	near(t, "standard deviation of the log", math.Sqrt(square/float64(len(logs))), 0.1*math.Sqrt(variance), 0.008)
	near(t, "correlation of neighbours", lag/square, neighbours/variance, 0.04)
}

// Read and shot noise: variance = read² + light/electrons per count.
func TestNoise(t *testing.T) {
	cfg := quiet()
	cfg.Removal.RateUMMin = 0
	cfg.Instrument.ReadCounts, cfg.Instrument.ElectronsPer = 20, 1.5
	cfg.Instrument.Frames = 16
	cfg.Instrument.SpectraPerS, cfg.Instrument.Pixels = 40, 64
	cfg.Stop.DurationS = 51
	list := bodies(t, cfg)
	clean := cfg
	clean.Instrument.ReadCounts, clean.Instrument.ElectronsPer, clean.Stop.DurationS = 0, 0, 1
	cleanList := bodies(t, clean)
	want := pick[event.Spectrum](cleanList)[0].Counts
	dark := pick[event.Dark](cleanList)[0].Counts
	spectra := pick[event.Spectrum](list)
	total := 0.0
	for i := range want {
		sum := 0.0
		for _, s := range spectra {
			sum += (s.Counts[i] - want[i]) * (s.Counts[i] - want[i])
		}
		total += sum / float64(len(spectra)) / (400 + (want[i]-dark[i])/1.5)
	}
	// 128000 values: the variance is known to 0.4 %.
	near(t, "variance over the expected", total/float64(len(want)), 1, 0.02)
	// Frames averaged: the reference is four times as quiet.
	noisy, exact := pick[event.Reference](list)[0].Counts, pick[event.Reference](cleanList)[0].Counts
	sum := 0.0
	for i := range exact {
		sum += (noisy[i] - exact[i]) * (noisy[i] - exact[i]) * 16 / (400 + (exact[i]-dark[i])/1.5)
	}
	near(t, "variance of the reference over the expected", sum/float64(len(exact)), 1, 0.6)
}

func TestDetectorLimits(t *testing.T) {
	cfg := quiet()
	cfg.Instrument.LampCounts, cfg.Instrument.ReadCounts = 300000, 5
	list := bodies(t, cfg)
	saturated := 0
	for _, s := range pick[event.Spectrum](list) {
		for _, v := range s.Counts {
			if v != math.Trunc(v) || v < 0 || v > 65535 {
				t.Fatalf("count %g", v)
			}
			if v == 65535 {
				saturated++
			}
		}
	}
	if saturated == 0 {
		t.Error("too much light saturates nothing")
	}
}

func TestDriftMovesScaleAndSlope(t *testing.T) {
	cfg := quiet()
	cfg.Removal.RateUMMin = 0
	cfg.Instrument.SlopeDriftSD, cfg.Instrument.ScaleDriftSD, cfg.Instrument.DriftS = 0.02, 0.03, 5
	cfg.Stop.DurationS = 60
	list := bodies(t, cfg)
	still := cfg
	still.Instrument.SlopeDriftSD, still.Instrument.ScaleDriftSD = 0, 0
	want := pick[event.Spectrum](bodies(t, still))[0].Counts
	dark := pick[event.Dark](list)[0].Counts
	var scale, slope float64
	spectra := pick[event.Spectrum](list)
	for _, s := range spectra {
		log := func(i int) float64 { return math.Log((s.Counts[i] - dark[i]) / (want[i] - dark[i])) }
		first, middle, last := log(0), log(len(want)/2), log(len(want)-1)
		near(t, "the drift is a straight line", first+last-2*middle, 0, 3e-3)
		scale, slope = scale+middle*middle, slope+math.Pow((last-first)/2, 2)
	}
	n := float64(len(spectra))
	near(t, "standard deviation of the scale", math.Sqrt(scale/n), 0.03, 0.015)
	near(t, "standard deviation of the slope", math.Sqrt(slope/n), 0.02, 0.01)
}

func TestSlurryFadesFringes(t *testing.T) {
	cfg := quiet()
	cfg.Die.ThicknessUM, cfg.Removal.RateUMMin = 3, 0
	cfg.Faults.Slurry = Slurry{
		Fault: Fault{At: []Episode{{StartS: 4, DurationS: 3}}}, Attenuation: 0.4, Haze: 0.9, OnsetS: 1, DecayS: 1,
	}
	list := bodies(t, cfg)
	visibility := map[float64]float64{}
	for _, s := range pick[event.Spectrum](list) {
		r, _, w := calibrated(t, cfg, list, s.Counts)
		least, most := math.Inf(1), 0.0
		for i := range w {
			if w[i] > 700 && w[i] < 900 {
				least, most = math.Min(least, r[i]), math.Max(most, r[i])
			}
		}
		visibility[s.TimeS] = (most - least) / (most + least)
	}
	if visibility[3] < 0.3 || visibility[4] != visibility[3] || visibility[8] != visibility[3] {
		t.Errorf("visibility is %g before, %g at the start, %g after", visibility[3], visibility[4], visibility[8])
	}
	if !(visibility[4.5] < visibility[4] && visibility[6] < visibility[4.5] && visibility[6] < visibility[7.5]) {
		t.Errorf("visibility at 4, 4.5, 6, 7.5 s: %g %g %g %g", visibility[4], visibility[4.5], visibility[6], visibility[7.5])
	}
	if visibility[6] > 0.15*visibility[3] {
		t.Errorf("under slurry the visibility is still %g of %g", visibility[6], visibility[3])
	}
	notes := pick[event.Note](list)
	if len(notes) != 1 || notes[0] != (event.Note{TimeS: 4, Text: "slurry added"}) {
		t.Errorf("notes: %v", notes)
	}
}

func TestRandomFaults(t *testing.T) {
	cfg := Default()
	cfg.Instrument.Pixels, cfg.Instrument.SpectraPerS = 4, 1
	cfg.Die.ThicknessUM, cfg.Instrument.ResolutionNM = 500, 0
	cfg.Faults.Dropout = Fault{PerMin: 1, MeanS: 10}
	cfg.Stop = Stop{DurationS: 6000}
	list := bodies(t, cfg)
	timeS, _ := truths(list, "c")
	missing := 1 - float64(len(pick[event.Spectrum](list)))/float64(len(timeS))
	// Infinitely many servers (M/M/∞): the view is clear for exp(-1/6) of the time.
	near(t, "part of the spectra that drop out", missing, 1-math.Exp(-1.0/6), 0.05)
	// 0.6 a minute for 100 minutes.
	near(t, "slurry notes", float64(len(pick[event.Note](list))), 60, 30)
}

func TestStopAndLift(t *testing.T) {
	cfg := quiet()
	cfg.Die.ThicknessUM = 2.05
	cfg.Removal.Changes = []Change{{TimeS: 8.5, ForceN: new(2.0)}, {TimeS: 15, Contact: new(true)}}
	cfg.Stop = Stop{DurationS: 100, ThicknessUM: 2, LiftAfterS: 3, AfterLiftS: 4}
	list := bodies(t, cfg)
	// 0.05 µm at 0.713 µm/min take 4.21 s from 1 s: seen at 5.5 s, lifted at 8.5 s.
	end := list[len(list)-1]
	if end != (event.End{TimeS: 12.5}) {
		t.Errorf("the record ends with %v", end)
	}
	processes := pick[event.Process](list)
	last := processes[len(processes)-1]
	if last.TimeS != 8.5 || last.Contact == nil || *last.Contact {
		t.Errorf("the last process event is %+v, want a lift at 8.5 s", last)
	}
	timeS, um := truths(list, "c")
	if n := len(um); timeS[n-1] != 12.5 || um[n-1] != um[n-9] || um[n-9] >= um[n-10] {
		t.Errorf("after the lift: %v", um)
	}
}

func TestThicknessEndsAtZero(t *testing.T) {
	cfg := quiet()
	cfg.Die.ThicknessUM, cfg.Removal.RateUMMin = 0.01, 10
	list := bodies(t, cfg)
	_, um := truths(list, "c")
	if um[len(um)-1] != 0 {
		t.Errorf("%g µm left", um[len(um)-1])
	}
	for _, s := range pick[event.Spectrum](list) {
		for _, v := range s.Counts {
			if math.IsNaN(v) {
				t.Fatal("NaN")
			}
		}
	}
}

// Every line is a JSON object that reads back as the event it was made from.
func TestLinesRoundTrip(t *testing.T) {
	cfg := Demo()
	cfg.Stop.DurationS, cfg.Instrument.Pixels = 50, 16
	kinds := map[string]int{}
	for _, body := range bodies(t, cfg) {
		line, err := event.Append(nil, body)
		if err != nil {
			t.Fatal(err)
		}
		var head struct {
			Type string `json:"type"`
		}
		if err := json.Unmarshal(line, &head); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		kinds[head.Type]++
		back := reflect.New(reflect.TypeOf(body))
		if err := json.Unmarshal(line, back.Interface()); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if !reflect.DeepEqual(back.Elem().Interface(), body) {
			t.Errorf("%s reads back as %+v, was %+v", line, back.Elem(), body)
		}
	}
	for _, kind := range []string{"run", "setup", "dark", "reference", "process", "spectrum", "truth", "note", "end"} {
		if kinds[kind] == 0 {
			t.Errorf("no %s event in %v", kind, kinds)
		}
	}
}

func TestDemo(t *testing.T) {
	cfg := Demo()
	list := bodies(t, cfg)
	if size := len(lines(t, list)); size > 1_200_000 {
		t.Errorf("the record has %d bytes", size)
	}
	if !strings.Contains(pick[event.Run](list)[0].Job, "invented") {
		t.Error("the job is not marked as invented")
	}
	atS, liftS, endS := math.Inf(1), 0.0, list[len(list)-1].(event.End).TimeS
	for _, site := range cfg.Sites {
		timeS, um := truths(list, site.Name)
		for i := range um {
			if um[i] <= 2.0 {
				atS = math.Min(atS, timeS[i])
			}
		}
		if last := um[len(um)-1]; last < 1.5 || last > 2.05 {
			t.Errorf("site %s ends at %g µm", site.Name, last)
		}
		if um[0] < 2.9 || um[0] > 3.25 {
			t.Errorf("site %s begins at %g µm", site.Name, um[0])
		}
	}
	for _, p := range pick[event.Process](list) {
		if p.TimeS > 10 && p.Contact != nil && !*p.Contact {
			liftS = p.TimeS
		}
	}
	if atS < 80 || atS > 100 {
		t.Errorf("the thinnest site is at target after %g s", atS)
	}
	if late := liftS - atS; late < 5 || late > 8 {
		t.Errorf("the pad is lifted %g s after the target", late)
	}
	if endS-liftS < 3 {
		t.Errorf("the record ends %g s after the lift", endS-liftS)
	}
	gap, before, visited, saturated := 0.0, 1.0, map[string]int{}, 0
	for _, s := range pick[event.Spectrum](list) {
		gap, before = math.Max(gap, s.TimeS-before), s.TimeS
		visited[s.Site]++
		for _, v := range s.Counts {
			if v >= fullScale {
				saturated++
			}
		}
	}
	if gap < 4 || gap > 5 {
		t.Errorf("the longest gap between spectra is %g s", gap)
	}
	if len(visited) != 3 || visited["c"] < 80 || saturated > 3 {
		t.Errorf("spectra by site %v, %d saturated values", visited, saturated)
	}
	// Nominal rate of the set-up: Preston, Kp·F/(π/4·pad²)·v.
	nominal := 2.4e-13 * 1.4 / (math.Pi / 4 * 3e-3 * 3e-3) * 0.25 * 1e6 * 60
	near(t, "nominal rate in µm/min", cfg.Removal.RateUMMin, nominal, 1e-3)
	timeS, um := truths(list, "c")
	from, to := 0, 0
	for i := range timeS {
		if timeS[i] <= 10 {
			from = i
		}
		if timeS[i] <= 80 {
			to = i
		}
	}
	rate := (um[from] - um[to]) / (timeS[to] - timeS[from]) * 60
	near(t, "mean true rate in µm/min", rate, 0.8, 0.05)
}

// Times never go back, dark and reference come before any spectrum.
func TestOrder(t *testing.T) {
	cfg := Default()
	cfg.Instrument.Pixels = 8
	list := bodies(t, cfg)
	kinds := []any{event.Run{}, event.Dark{}, event.Reference{}, event.Process{}}
	for i, k := range kinds {
		if reflect.TypeOf(list[i]) != reflect.TypeOf(k) {
			t.Errorf("event %d is a %T, want a %T", i, list[i], k)
		}
	}
	last := 0.0
	for _, body := range list[1:] {
		at := reflect.ValueOf(body).FieldByName("TimeS").Float()
		if at < last {
			t.Fatalf("%+v after %g s", body, last)
		}
		if math.Round(at*1000)/1000 != at {
			t.Errorf("time %v is not in whole milliseconds", at)
		}
		last = at
	}
	if _, ok := list[len(list)-1].(event.End); !ok {
		t.Errorf("the last event is a %T", list[len(list)-1])
	}
}

func TestRunStops(t *testing.T) {
	full := errors.New("disk full")
	calls := 0
	err := Run(context.Background(), quiet(), func(event.Body) error {
		calls++
		if calls == 7 {
			return full
		}
		return nil
	})
	if !errors.Is(err, full) || calls != 7 {
		t.Errorf("got %v after %d events", err, calls)
	}
	ctx, cancel := context.WithCancel(context.Background())
	calls = 0
	err = Run(ctx, quiet(), func(event.Body) error {
		calls++
		if calls == 7 {
			cancel()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) || calls > 9 {
		t.Errorf("got %v after %d events", err, calls)
	}
}

func TestConfigErrors(t *testing.T) {
	for _, c := range []struct {
		spoil func(*Config)
		want  string
	}{
		{func(c *Config) { c.Instrument.Pixels = 1 }, "simulate: pixels is 1: 2 to 16384 is allowed"},
		{func(c *Config) { c.Sites = nil }, "simulate: there are no sites: one or more is allowed"},
		{func(c *Config) { c.Sites = append(c.Sites, c.Sites[0]) }, `simulate: site name "c" is empty or there twice`},
		{func(c *Config) { c.Sites[1].Coverage = math.NaN() }, "simulate: coverage of site ne is NaN: 0 to 1 is allowed"},
		{func(c *Config) { c.Die.Reflector = ""; c.Sites = c.Sites[:1] }, "simulate: site c has metal in 0.6 of the spot, but the die names no reflector"},
		{func(c *Config) { c.Die.Reflector = "gold" }, `simulate: reflector: unknown material "gold": known are Si,`},
		{func(c *Config) { c.Die.Silicon = "green2008" }, `simulate: unknown silicon table "green2008": known are green, vuye`},
		{func(c *Config) { c.Instrument.ToNM = 1900 }, "Si has no index at 180"},
		{func(c *Config) { c.Removal.ContactS = 0 }, "simulate: first contact in s is 0: 1 to 1e+09 is allowed"},
		{func(c *Config) { c.Removal.WanderS = 0 }, "simulate: correlation time of the rate in s is 0:"},
		{func(c *Config) { c.Removal.Changes = []Change{{TimeS: 9}, {TimeS: 8}} }, "simulate: change 2: time in s is 8: 9 to 1e+09 is allowed"},
		{func(c *Config) { c.Removal.Changes = []Change{{TimeS: 9, ForceN: new(-1.0)}} }, "simulate: change 1: force in N is -1: more than 0 and up to 100000 is allowed"},
		{func(c *Config) { c.Stop.DurationS = math.Inf(1) }, "simulate: duration in s is +Inf: 1 to 86400 is allowed"},
		{func(c *Config) { c.Faults.Dropout.PerMin = 1e9 }, "simulate: dropouts per minute is 1e+09: 0 to 1000 is allowed"},
		{func(c *Config) { c.Die.TiltXUMPerMM = 3 }, "simulate: start thickness of site sw in µm is -2."},
	} {
		cfg := Default()
		c.spoil(&cfg)
		err := Run(context.Background(), cfg, func(event.Body) error { return nil })
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %s", err, c.want)
		}
	}
}

func BenchmarkSpectrum(b *testing.B) {
	cfg := Default()
	cfg.Sites[0].SpreadNM = 40
	m, err := New(cfg)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := m.look(0, 1, func(event.Body) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDemo(b *testing.B) {
	for b.Loop() {
		if err := Run(context.Background(), Demo(), func(event.Body) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}
