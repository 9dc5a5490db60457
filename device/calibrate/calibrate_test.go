package calibrate

import (
	"errors"
	"math"
	"strings"
	"testing"

	"bluefringe/device/event"
)

// bench is a channel of eight visible pixels with a lamp and a dark.
func bench() (ch event.Channel, dark, lamp []float64) {
	ch = event.Channel{WavelengthNM: event.Values{400, 450, 500, 550, 600, 650, 700, 750}}
	dark = []float64{100, 101, 99, 100, 102, 100, 98, 100}
	lamp = []float64{5000, 9000, 20000, 40000, 50000, 45000, 30000, 12000}
	return ch, dark, lamp
}

// counts is what the detector says for a reflectance r.
func counts(dark, lamp []float64, r func(i int) float64) []float64 {
	out := make([]float64, len(dark))
	for i := range out {
		out[i] = dark[i] + lamp[i]*r(i)
	}
	return out
}

func constant(r float64) func(int) float64 { return func(int) float64 { return r } }

func newCalibrator(t *testing.T, ambient string) *Calibrator {
	t.Helper()
	c, err := New(ambient, 25)
	if err != nil {
		t.Fatal(err)
	}
	ch, _, _ := bench()
	if err := c.Take(event.Run{Format: 1, Channels: map[string]event.Channel{"vis": ch}}); err != nil {
		t.Fatal(err)
	}
	return c
}

func take(t *testing.T, c *Calibrator, bodies ...event.Body) {
	t.Helper()
	for _, b := range bodies {
		if err := c.Take(b); err != nil {
			t.Fatal(err)
		}
	}
}

// Fresnel's formula at normal incidence (Born and Wolf, Principles of Optics,
// 1.5.3) with the n and k that the papers print: silicon at 300 K and 500 nm,
// 4.294 and 0.044165 (Green 2008); water at 500 nm, 1.335 (Hale and Querry
// 1973); fused silica at 587.56 nm, 1.45846 (Malitson 1965, from memory).
// The measured reflectance of silicon at 2.0 eV is 0.351 (Aspnes and Studna,
// Phys. Rev. B 27 (1983) 985, from memory); the two tables differ by a few
// parts in a thousand.
func TestStandards(t *testing.T) {
	fresnel := func(n, k, n0 float64) float64 {
		return ((n-n0)*(n-n0) + k*k) / ((n+n0)*(n+n0) + k*k)
	}
	tests := []struct {
		ambient, material string
		wavelengthNM      float64
		want, tol         float64
	}{
		{"air", "silicon", 500, fresnel(4.294, 0.044165, 1.00028), 2e-6},
		{"water", "silicon", 500, fresnel(4.294, 0.044165, 1.335), 2e-6},
		{"air", "SiO2", 587.56, fresnel(1.45846, 0, 1.00028), 2e-6},
		{"air", "silicon", 619.9, 0.351, 2e-3},
	}
	for _, tt := range tests {
		c, err := New(tt.ambient, 26.85)
		if err != nil {
			t.Fatal(err)
		}
		got, err := c.standard(tt.material, []float64{tt.wavelengthNM})
		if err != nil || math.Abs(got[0]-tt.want) > tt.tol {
			t.Errorf("%s in %s: got %.5f, %v, want %.5f", tt.material, tt.ambient, got, err, tt.want)
		}
	}
}

// The same piece measured again has the reflectance of its material, whatever
// lamp and dark; a sample of half the light has half of it.
func TestReflectance(t *testing.T) {
	_, dark, lamp := bench()
	c := newCalibrator(t, "air")
	take(t, c,
		event.Dark{Channel: "vis", Counts: dark},
		event.Reference{Channel: "vis", Material: "silicon", Counts: counts(dark, lamp, constant(1))})
	want, err := c.standard("silicon", c.WavelengthsNM("vis"))
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []float64{1, 0.5, 0} {
		got, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: counts(dark, lamp, constant(part))})
		if err != nil {
			t.Fatal(err)
		}
		for i := range want {
			if math.Abs(got[i]-part*want[i]) > 1e-12 {
				t.Errorf("part %g, pixel %d: got %g, want %g", part, i, got[i], part*want[i])
			}
		}
	}
	// A newer dark counts from then on.
	shifted := counts(dark, lamp, constant(0))
	for i := range shifted {
		shifted[i] += 50
	}
	take(t, c, event.Dark{Channel: "vis", Counts: shifted})
	got, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: shifted})
	if err != nil || math.Abs(got[3]) > 1e-12 {
		t.Errorf("got %v, %v", got, err)
	}
}

func TestUnusablePixels(t *testing.T) {
	_, dark, lamp := bench()
	lamp[0] = 200 // under 1 % of the strongest
	reference := counts(dark, lamp, constant(1))
	reference[7] = math.NaN()
	c := newCalibrator(t, "air")
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: reference})

	spectrum := counts(dark, lamp, constant(0.5))
	spectrum[2] = math.NaN()
	got := reflectance(t, c, spectrum)
	wantNaN(t, "dim, empty", got, 0, 2, 7)

	// Three adjacent pixels at the maximum of the spectrum are saturated, two
	// are chance.
	spectrum = counts(dark, lamp, constant(0.5))
	spectrum[3], spectrum[4] = 30000, 30000
	wantNaN(t, "two equal", reflectance(t, c, spectrum), 0, 7)
	spectrum[5] = 30000
	wantNaN(t, "flat top", reflectance(t, c, spectrum), 0, 3, 4, 5, 7)

	// A flat top of the reference tells the detector's limit for the spectra too.
	clipped := counts(dark, lamp, constant(1))
	clipped[3], clipped[4], clipped[5] = 32000, 32000, 32000
	take(t, c, event.Reference{Channel: "vis", Material: "Si", Counts: clipped})
	spectrum = counts(dark, lamp, constant(0.5))
	spectrum[2] = 32000
	wantNaN(t, "saturated reference", reflectance(t, c, spectrum), 0, 2, 3, 4, 5)
}

// Outside the table of the reference material there is no reflectance, and
// inside it all is well: silicon's ends at 1800 nm.
// What keeps pixels from speaking is counted by cause.
func TestMissing(t *testing.T) {
	c := newCalibrator(t, "air")
	_, dark, lamp := bench()
	reference := counts(dark, lamp, constant(1))
	reference[0] = dark[0] // no lamp there
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "silicon", Counts: reference})
	spectrum := counts(dark, lamp, constant(0.9))
	for i := 3; i < 6; i++ {
		spectrum[i] = 65535
	}
	if _, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: spectrum}); err == nil {
		if got, want := c.Missing(), (Missing{Saturated: 3, Dim: 1, Pixels: 8}); got != want {
			t.Errorf("got %+v, want %+v", got, want)
		}
	} else {
		t.Fatal(err)
	}
	spectrum[7] = counts(dark, lamp, constant(5))[7] // bright, below saturation
	if _, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: spectrum}); err != nil {
		t.Fatal(err)
	}
	if got, want := c.Missing(), (Missing{Saturated: 3, Dim: 1, Implausible: 1, Pixels: 8}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

func TestOutsideTable(t *testing.T) {
	c, err := New("air", 25)
	if err != nil {
		t.Fatal(err)
	}
	ch := event.Channel{WavelengthPoly: event.Values{1750, 20}, Pixels: 5}
	if err := c.SetChannels(map[string]event.Channel{"nir": ch}); err != nil {
		t.Fatal(err)
	}
	dark := make([]float64, 5)
	light := []float64{1000, 1100, 1200, 1300, 1400}
	take(t, c, event.Dark{Channel: "nir", Counts: dark}, event.Reference{Channel: "nir", Material: "Si", Counts: light})
	got, err := c.Reflectance(nil, event.Spectrum{Channel: "nir", Counts: light})
	if err != nil {
		t.Fatal(err)
	}
	wantNaN(t, "past 1800 nm", got, 3, 4)
}

func TestPassThrough(t *testing.T) {
	c := newCalibrator(t, "air")
	in := event.Values{0.1, 0.2, math.NaN(), 0.4, 7, -3, math.Inf(1), 0.8}
	given := append(event.Values(nil), in...)
	dst := make([]float64, 0, 8)
	got, err := c.Reflectance(dst, event.Spectrum{Channel: "vis", Reflectance: in})
	if err != nil || got[0] != 0.1 || got[7] != 0.8 || &got[0] != &dst[:1][0] {
		t.Errorf("got %v, %v", got, err)
	}
	wantNaN(t, "passed", got, 2, 4, 5, 6)
	for i := range in {
		if in[i] != given[i] && !math.IsNaN(given[i]) {
			t.Errorf("the event was changed: %v", in)
		}
	}
}

func TestErrors(t *testing.T) {
	_, dark, lamp := bench()
	light := counts(dark, lamp, constant(1))
	darkEvent := event.Dark{Channel: "vis", Counts: dark}
	reference := event.Reference{Channel: "vis", Material: "Si", Counts: light}
	spectrum := event.Spectrum{Channel: "vis", Counts: light}
	tests := []struct {
		name  string
		first []event.Body
		last  event.Body
		want  error
		says  string
	}{
		{"no dark", []event.Body{reference}, spectrum, ErrNoDark, `"vis"`},
		{"no reference", []event.Body{darkEvent}, spectrum, ErrNoReference, `"vis"`},
		{"channel of a spectrum", nil, event.Spectrum{Channel: "n\x1bir", Counts: light}, ErrChannel, "n\uFFFDir"},
		{"channel of a reflectance", nil, event.Spectrum{Channel: "nir", Reflectance: light}, ErrChannel, "nir"},
		{"channel of a dark", nil, event.Dark{Channel: "nir", Counts: dark}, ErrChannel, "dark"},
		{"length of a dark", nil, event.Dark{Channel: "vis", Counts: dark[:7]}, ErrLength, "found 7, channel \"vis\" has 8"},
		{"length of a reference", nil, event.Reference{Channel: "vis", Material: "Si", Counts: dark[:1]}, ErrLength, "found 1"},
		{"length of a spectrum", nil, event.Spectrum{Channel: "vis", Counts: dark[:3]}, ErrLength, "found 3"},
		{"length of a reflectance", nil, event.Spectrum{Channel: "vis", Reflectance: dark[:3]}, ErrLength, "found 3"},
		{"material", nil, event.Reference{Channel: "vis", Material: "cheese", Counts: light}, ErrMaterial, "cheese"},
		{"reference under the dark", []event.Body{darkEvent}, event.Reference{Channel: "vis", Material: "Si", Counts: make([]float64, 8)}, ErrNoLight, ""},
		{"all saturated", []event.Body{darkEvent, reference}, event.Spectrum{Channel: "vis", Counts: []float64{9, 9, 9, 9, 9, 9, 9, 9}}, ErrNoLight, "saturated"},
		{"per cent", nil, event.Spectrum{Channel: "vis", Reflectance: event.Values{30, 31, 32, 33, 34, 35, 36, 37}}, ErrImplausible, "per cent"},
		{"lamp ten times as strong", []event.Body{darkEvent, reference}, event.Spectrum{Channel: "vis", Counts: counts(dark, lamp, constant(10))}, ErrImplausible, ""},
	}
	for _, tt := range tests {
		c := newCalibrator(t, "air")
		take(t, c, tt.first...)
		err := c.Take(tt.last)
		if s, ok := tt.last.(event.Spectrum); ok {
			_, err = c.Reflectance(nil, s)
		}
		if !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: got %v", tt.name, err)
		}
	}
}

// A refused dark or reference leaves the good one; a reference without light
// does not.
func TestAfterRefusal(t *testing.T) {
	_, dark, lamp := bench()
	light := counts(dark, lamp, constant(1))
	c := newCalibrator(t, "air")
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: light})
	before := reflectance(t, c, light)
	_ = c.Take(event.Reference{Channel: "vis", Material: "cheese", Counts: light})
	_ = c.Take(event.Dark{Channel: "vis", Counts: dark[:2]})
	if after := reflectance(t, c, light); after[2] != before[2] {
		t.Errorf("got %v, before %v", after, before)
	}
	_ = c.Take(event.Reference{Channel: "vis", Material: "Si", Counts: dark})
	if _, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: light}); !errors.Is(err, ErrNoLight) {
		t.Errorf("got %v", err)
	}
}

// A second run line with the same wavelengths keeps dark and reference; with
// others it forgets them.
func TestSetChannels(t *testing.T) {
	ch, dark, lamp := bench()
	light := counts(dark, lamp, constant(1))
	c := newCalibrator(t, "air")
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: light})
	take(t, c, event.Run{Channels: map[string]event.Channel{"vis": ch}})
	reflectance(t, c, light)
	ch.WavelengthNM[7] = 751
	take(t, c, event.Run{Channels: map[string]event.Channel{"vis": ch}})
	if _, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: light}); !errors.Is(err, ErrNoDark) {
		t.Errorf("got %v", err)
	}
	if err := c.SetChannels(map[string]event.Channel{"x": {}}); err == nil || c.WavelengthsNM("x") != nil {
		t.Errorf("a channel without wavelengths: %v", err)
	}
	if _, err := New("treacle", 25); err == nil {
		t.Error("an unknown ambient was accepted")
	}
	if err := c.Take(event.Note{}); err != nil {
		t.Error(err)
	}
}

func reflectance(t *testing.T, c *Calibrator, counts []float64) []float64 {
	t.Helper()
	got, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: counts})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// wantNaN checks that just these pixels say nothing.
func wantNaN(t *testing.T, name string, got []float64, pixels ...int) {
	t.Helper()
	want := map[int]bool{}
	for _, p := range pixels {
		want[p] = true
	}
	for i, v := range got {
		if math.IsNaN(v) != want[i] {
			t.Errorf("%s: pixel %d is %g", name, i, v)
		}
	}
}

func BenchmarkReflectance(b *testing.B) {
	c, err := New("air", 25)
	if err != nil {
		b.Fatal(err)
	}
	ch := event.Channel{WavelengthPoly: event.Values{400, 0.5}, Pixels: 1024}
	if err := c.SetChannels(map[string]event.Channel{"vis": ch}); err != nil {
		b.Fatal(err)
	}
	dark, light := make([]float64, 1024), make([]float64, 1024)
	for i := range light {
		light[i] = 30000 + float64(i)
	}
	_ = c.Take(event.Dark{Channel: "vis", Counts: dark})
	_ = c.Take(event.Reference{Channel: "vis", Material: "Si", Counts: light})
	s := event.Spectrum{Channel: "vis", Counts: light}
	var dst []float64
	b.ReportAllocs()
	for b.Loop() {
		if dst, err = c.Reflectance(dst, s); err != nil {
			b.Fatal(err)
		}
	}
}

// Stray light that every pixel sees as a share of the mean must drop out: counts made
// with it give the reflectance that counts without it give.
func TestStrayLightDropsOut(t *testing.T) {
	const pixels, share = 64, 0.05
	ch := event.Channel{WavelengthPoly: event.Values{500, 5}, Pixels: pixels}
	lamp, film := make([]float64, pixels), make([]float64, pixels)
	dark := make([]float64, pixels)
	for i := range lamp {
		dark[i] = 100
		lamp[i] = 10000 + 150*float64(i)
		film[i] = lamp[i] * (0.7 + 0.25*math.Cos(float64(i)/3))
	}
	seen := func(light []float64, share float64) []float64 {
		mean := 0.0
		for _, v := range light {
			mean += v / pixels
		}
		out := make([]float64, pixels)
		for i, v := range light {
			out[i] = dark[i] + v + share*mean
		}
		return out
	}
	measure := func(made, told float64) []float64 {
		c, err := New("air", 25)
		if err != nil {
			t.Fatal(err)
		}
		c.SetStray("vis", told)
		if err := c.SetChannels(map[string]event.Channel{"vis": ch}); err != nil {
			t.Fatal(err)
		}
		take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: seen(lamp, made)})
		r, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Counts: seen(film, made)})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	want, got, uncorrected := measure(0, 0), measure(share, share), measure(share, 0)
	off := 0.0
	for i := range want {
		if math.Abs(got[i]-want[i]) > 1e-12 {
			t.Errorf("pixel %d: %.6f with stray light taken off, %.6f without any", i, got[i], want[i])
		}
		off = math.Max(off, math.Abs(uncorrected[i]-want[i]))
	}
	if off < 1e-3 {
		t.Errorf("the stray light of the test changes reflectance by %.2g only", off)
	}
}
