package calibrate

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"bluefringe/device/event"
)

func TestAges(t *testing.T) {
	_, dark, lamp := bench()
	light := counts(dark, lamp, constant(1))
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	nan := math.NaN()
	tests := []struct {
		name      string
		started   time.Time
		dark      event.Dark
		reference event.Reference
		atS       float64
		want      Age
	}{
		{"same run", time.Time{}, event.Dark{TimeS: 10}, event.Reference{TimeS: 70}, 100, Age{90, 30}},
		{"at once", time.Time{}, event.Dark{TimeS: 10}, event.Reference{TimeS: 10}, 10, Age{0, 0}},
		{"yet to come", time.Time{}, event.Dark{TimeS: 10}, event.Reference{TimeS: 200}, 100, Age{90, nan}},
		{"run an hour before", noon, event.Dark{TimeS: 10, Earlier: true, Started: noon.Add(-time.Hour)}, event.Reference{TimeS: 70, Earlier: true, Started: noon.Add(-time.Hour)}, 100, Age{3690, 3630}},
		{"earlier run not dated", noon, event.Dark{TimeS: 10, Earlier: true}, event.Reference{TimeS: 70}, 100, Age{nan, 30}},
		{"this run not dated", time.Time{}, event.Dark{TimeS: 10, Earlier: true, Started: noon}, event.Reference{TimeS: 70, Earlier: true, Started: noon}, 100, Age{nan, nan}},
		{"a later run", noon, event.Dark{TimeS: 10, Earlier: true, Started: noon.Add(time.Hour)}, event.Reference{TimeS: 70}, 100, Age{nan, 30}},
	}
	for _, tt := range tests {
		c := newCalibrator(t, "air")
		tt.dark.Channel, tt.dark.Counts = "vis", dark
		tt.reference.Channel, tt.reference.Counts, tt.reference.Material = "vis", light, "Si"
		// A calibration record is read before the run line comes.
		ch, _, _ := bench()
		take(t, c, tt.dark, tt.reference, event.Run{Started: tt.started, Channels: map[string]event.Channel{"vis": ch}})
		if _, err := c.Reflectance(nil, event.Spectrum{TimeS: tt.atS, Channel: "vis", Counts: light}); err != nil {
			t.Fatal(err)
		}
		if got := c.Age(); !same(got.DarkS, tt.want.DarkS) || !same(got.ReferenceS, tt.want.ReferenceS) {
			t.Errorf("%s: got %+v, want %+v", tt.name, got, tt.want)
		}
		if news := c.News(); len(news) != 0 {
			t.Errorf("%s: told %q without limits", tt.name, news)
		}
	}
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

// An age is told when it passes its limit and when it has doubled, and anew for a new one.
func TestAgesAreTold(t *testing.T) {
	_, dark, lamp := bench()
	light := counts(dark, lamp, constant(1))
	c := newCalibrator(t, "air")
	c.SetAgeLimits(Age{DarkS: 3600, ReferenceS: 1800})
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: light})
	told := map[float64][]string{}
	run := func(fromS, toS float64) {
		for timeS := fromS; timeS < toS; timeS += 10 {
			if _, err := c.Reflectance(nil, event.Spectrum{TimeS: timeS, Channel: "vis", Counts: light}); err != nil {
				t.Fatal(err)
			}
			for _, text := range c.News() {
				what, _, _ := strings.Cut(strings.TrimPrefix(text, `channel "vis": the `), ":")
				told[timeS] = append(told[timeS], what)
			}
		}
	}
	run(0, 16000)
	take(t, c, event.Reference{TimeS: 16000, Channel: "vis", Material: "Si", Counts: light})
	run(16000, 18000)
	want := map[float64][]string{
		1810:  {"reference is 30 min old"},
		3610:  {"dark is 60 min old", "reference is 60 min old"},
		7210:  {"dark is 2.0 h old", "reference is 2.0 h old"},
		14410: {"dark is 4.0 h old", "reference is 4.0 h old"},
		17810: {"reference is 30 min old"},
	}
	if !reflect.DeepEqual(told, want) {
		t.Errorf("told %v", told)
	}
}

func TestUnknownAgeIsToldOnce(t *testing.T) {
	_, dark, lamp := bench()
	light := counts(dark, lamp, constant(1))
	c := newCalibrator(t, "air")
	c.SetAgeLimits(Age{3600, 1800})
	take(t, c, event.Dark{Channel: "vis", Earlier: true, Counts: dark}, event.Reference{Channel: "vis", Earlier: true, Material: "Si", Counts: light})
	for range 3 {
		reflectance(t, c, light)
	}
	if news := c.News(); len(news) != 1 || !strings.Contains(news[0], "age of dark and reference not known") {
		t.Errorf("told %q", news)
	}
}

// Between two darks the older counts.
func TestAgeOfTwoDarks(t *testing.T) {
	_, dark, lamp := bench()
	light := counts(dark, lamp, constant(1))
	c := newCalibrator(t, "air")
	take(t, c, event.Dark{TimeS: 5, Channel: "vis", IntegrationMS: 5, Counts: dark}, event.Dark{TimeS: 60, Channel: "vis", IntegrationMS: 20, Counts: dark},
		event.Reference{TimeS: 70, Channel: "vis", IntegrationMS: 20, Material: "Si", Counts: light})
	for ms, want := range map[float64]float64{5: 95, 10: 95, 20: 40} {
		if _, err := c.Reflectance(nil, event.Spectrum{TimeS: 100, Channel: "vis", IntegrationMS: ms, Counts: light}); err != nil {
			t.Fatal(err)
		}
		if got := c.Age().DarkS; got != want {
			t.Errorf("%g ms: %g s", ms, got)
		}
	}
}
