package simulate

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"bluefringe/device/event"
)

// driven drives a machine to its end, with what to do before each step.
func driven(t testing.TB, cfg Config, before func(m *Machine)) []event.Body {
	t.Helper()
	m, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	list := m.Opening()
	for more := true; more; {
		if before != nil {
			before(m)
		}
		if more, err = m.Next(func(b event.Body) error {
			list = append(list, b)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	return list
}

// short is a run of a few seconds that can be driven.
func short() Config {
	cfg := quiet()
	cfg.Instrument.Pixels, cfg.Removal.ContactS, cfg.Stop.DurationS = 40, 2, 20
	return cfg
}

// Stepping is the run: what is done by hand is what the agenda of the configuration does.
func TestDrivenIsRun(t *testing.T) {
	cfg := Default()
	cfg.Instrument.Pixels, cfg.Stop.DurationS, cfg.Stop.ThicknessUM = 40, 40, 0
	cfg.Removal.WanderSD = 0.05
	if a, b := record(t, cfg), lines(t, driven(t, cfg, nil)); !bytes.Equal(a, b) {
		t.Error("stepping gives another record than Run")
	}
	changes := []Change{{TimeS: 12.3, ForceN: new(0.9)}, {TimeS: 20, Contact: new(false), Note: "look"}, {TimeS: 25.25, Contact: new(true)}}
	byHand := lines(t, driven(t, cfg, func(m *Machine) {
		for _, c := range changes {
			if c.TimeS > m.doneS && c.TimeS <= m.NextS() {
				if err := m.Do(c); err != nil {
					t.Fatal(err)
				}
			}
		}
	}))
	planned := cfg
	planned.Removal.Changes = changes
	if !bytes.Equal(record(t, planned), byHand) {
		t.Error("what is done by hand gives another record than what was planned")
	}
}

func TestDo(t *testing.T) {
	m, err := New(short())
	if err != nil {
		t.Fatal(err)
	}
	m.Opening()
	for range 10 {
		if _, err := m.Next(func(event.Body) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Do(Change{TimeS: m.doneS}); !errors.Is(err, ErrPast) {
		t.Errorf("a change in the past gives %v", err)
	}
	if err := m.Do(Change{TimeS: m.doneS + 1, ForceN: new(-1.0)}); err == nil || !strings.Contains(err.Error(), "force in N is -1") {
		t.Errorf("a negative force gives %v", err)
	}
	before := m.ThicknessUM()[0]
	if err := m.Do(Change{TimeS: m.doneS + 0.1, Contact: new(false)}); err != nil {
		t.Fatal(err)
	}
	m.Finish(m.doneS + 3)
	endS := 0.0
	for more := true; more; {
		if more, err = m.Next(func(b event.Body) error {
			if e, ok := b.(event.End); ok {
				endS = e.TimeS
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	if math.Abs(endS-m.doneS) > 1e-9 || endS > 10 {
		t.Errorf("ended at %g s", endS)
	}
	// 0.1 s of polishing at 0.713 µm/min.
	if gone := before - m.ThicknessUM()[0]; math.Abs(gone-0.1*0.713/60) > 1e-6 {
		t.Errorf("%g µm went after the lift", gone)
	}
	if more, err := m.Next(func(event.Body) error { t.Error("an event after the end"); return nil }); more || err != nil {
		t.Errorf("after the end: %v, %v", more, err)
	}
}

// Two spectrometers look at the same die; the second changes nothing in the first.
func TestTwoSpectrometers(t *testing.T) {
	cfg := short()
	alone := pick[event.Spectrum](bodies(t, cfg))
	infrared := cfg.Instrument
	infrared.FromNM, infrared.ToNM, infrared.Pixels, infrared.SpectraPerS = 1100, 1300, 30, 0
	cfg.More = []Spectrometer{{"nir", infrared}}
	list := bodies(t, cfg)
	var first []event.Spectrum
	second := 0
	for _, s := range pick[event.Spectrum](list) {
		if s.Channel == "vis" {
			first = append(first, s)
		} else {
			second++
		}
	}
	if len(first) != len(alone) || second != len(alone) {
		t.Fatalf("%d and %d spectra, %d alone", len(first), second, len(alone))
	}
	for i := range first {
		for j := range first[i].Counts {
			if first[i].Counts[j] != alone[i].Counts[j] {
				t.Fatalf("spectrum %d is another one", i)
			}
		}
	}
	if channels := pick[event.Run](list)[0].Channels; len(channels["nir"].WavelengthNM) != 30 || len(channels) != 2 {
		t.Errorf("%d channels", len(channels))
	}
	if n := len(pick[event.Reference](list)); n != 2 {
		t.Errorf("%d references", n)
	}
	cfg.More = append(cfg.More, cfg.More[0])
	if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), `channel name "nir" is empty or there twice`) {
		t.Errorf("the same channel twice gives %v", err)
	}
}

// A fault that waits for a thickness begins there, and wiping takes slurry away.
func TestOnsetAndWipe(t *testing.T) {
	cfg := short()
	cfg.Stop.DurationS = 40
	cfg.Faults.Dropout.Below = []Onset{{ThicknessUM: 4.9, DurationS: 5}}
	times := map[float64]bool{}
	list := bodies(t, cfg)
	for _, s := range pick[event.Spectrum](list) {
		times[s.TimeS] = true
	}
	timeS, um := truths(list, "c")
	lostFromS, lost := math.NaN(), 0
	for i := range timeS {
		if !times[timeS[i]] {
			if lost++; lost == 1 {
				lostFromS = timeS[i]
				if um[i] > 4.9 || um[i] < 4.88 {
					t.Errorf("the line is lost from %g µm", um[i])
				}
			}
		}
	}
	if lost != 10 || math.IsNaN(lostFromS) {
		t.Errorf("%d spectra are lost, want 10", lost)
	}

	cfg = short()
	cfg.Removal.RateUMMin = 0
	cfg.Faults.Slurry = Slurry{Fault: Fault{At: []Episode{{StartS: 5, DurationS: 30}}}, Attenuation: 0.5, OnsetS: 0.5, DecayS: 1}
	bright := func(s event.Spectrum) (sum float64) {
		for _, v := range s.Counts {
			sum += v
		}
		return sum
	}
	list = driven(t, cfg, func(m *Machine) {
		if m.NextS() == 10 {
			if err := m.Do(Change{TimeS: 10, Wipe: true}); err != nil {
				t.Fatal(err)
			}
		}
	})
	for _, s := range pick[event.Spectrum](list) {
		clear := bright(pick[event.Spectrum](list)[0])
		switch part := bright(s) / clear; {
		case s.TimeS > 6 && s.TimeS < 10 && part > 0.6:
			t.Errorf("at %g s %g of the light comes through slurry", s.TimeS, part)
		case (s.TimeS < 5 || s.TimeS >= 11.5) && math.Abs(part-1) > 0.01:
			t.Errorf("at %g s %g of the light comes through a clear view", s.TimeS, part)
		}
	}
}

// Light that changed after the reference bends the reflectance until the next reference.
func TestNewReference(t *testing.T) {
	cfg := short()
	cfg.Removal.RateUMMin = 0
	want, _, _ := calibrated(t, cfg, bodies(t, cfg), pick[event.Spectrum](bodies(t, cfg))[0].Counts)
	cfg.Instrument.AgedLampK, cfg.Instrument.FilmDepth, cfg.Instrument.FilmOpticalNM = 2600, 0.2, 900
	list := driven(t, cfg, func(m *Machine) {
		if m.NextS() == 10 {
			if err := m.Do(Change{TimeS: 10, Refer: true}); err != nil {
				t.Fatal(err)
			}
		}
	})
	worst := func(list []event.Body, counts event.Values) (off float64) {
		got, _, _ := calibrated(t, cfg, list, counts)
		for i := range got {
			off = math.Max(off, math.Abs(got[i]/want[i]-1))
		}
		return off
	}
	spectra := pick[event.Spectrum](list)
	if off := worst(list, spectra[0].Counts); off < 0.1 {
		t.Errorf("the old reference is wrong by %g at most", off)
	}
	var later []event.Body // what came with the new reference
	for _, b := range list {
		switch e := b.(type) {
		case event.Run:
			later = append(later, b)
		case event.Dark:
			if e.TimeS == 10 {
				later = append(later, b)
			}
		case event.Reference:
			if e.TimeS == 10 {
				later = append(later, b)
			}
		}
	}
	if len(later) != 3 {
		t.Fatalf("%d events of the new reference", len(later))
	}
	if off := worst(later, spectra[len(spectra)-1].Counts); off > 0.001 {
		t.Errorf("the new reference is wrong by %g", off)
	}
}

// Light that changes slowly bends the reflectance evenly from the begin of the change on.
func TestSlowChangeOfLight(t *testing.T) {
	cfg := short()
	cfg.Removal.RateUMMin = 0
	cfg.Instrument.AgedLampK, cfg.Instrument.FilmDepth, cfg.Instrument.FilmOpticalNM = 2600, 0.2, 900
	at := func(cfg Config) (off []float64, timeS []float64) {
		list := bodies(t, cfg)
		spectra := pick[event.Spectrum](list)
		want, _, _ := calibrated(t, cfg, list, spectra[0].Counts)
		for _, s := range spectra {
			got, _, _ := calibrated(t, cfg, list, s.Counts)
			most := 0.0
			for i := range got {
				most = math.Max(most, math.Abs(got[i]/want[i]-1))
			}
			off, timeS = append(off, most), append(timeS, s.TimeS)
		}
		return off, timeS
	}
	cfg.Instrument.AgeFromS, cfg.Instrument.AgeOverS = 4, 6
	off, timeS := at(cfg)
	whole := off[len(off)-1]
	for i, s := range timeS {
		part := math.Max(0, math.Min(1, (s-4)/6))
		if math.Abs(off[i]-part*whole) > 0.002 {
			t.Errorf("at %g s the light is off by %g, want %g of %g", s, off[i], part, whole)
		}
	}
	if whole < 0.1 || timeS[len(timeS)-1] < 10 {
		t.Errorf("off by %g at %g s", whole, timeS[len(timeS)-1])
	}
}
