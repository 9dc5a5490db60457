package calibrate

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"bluefringe/device/event"
)

// wide is a channel of 100 pixels, 400 to 697 nm, with a dark that scatters by two counts
// and a lamp that reaches 20000.
func wide(t *testing.T) (c *Calibrator, dark, lamp []float64) {
	t.Helper()
	c, err := New("air", 25)
	if err != nil {
		t.Fatal(err)
	}
	ch := event.Channel{WavelengthPoly: event.Values{400, 3}, Pixels: 100}
	if err := c.SetChannels(map[string]event.Channel{"vis": ch}); err != nil {
		t.Fatal(err)
	}
	dark, lamp = make([]float64, 100), make([]float64, 100)
	for i := range dark {
		dark[i] = 1000 + 2*float64((i*7)%5-2)
		lamp[i] = 20000 * math.Exp(-math.Pow(float64(i-60)/40, 2))
	}
	return c, dark, lamp
}

func changed(values []float64, change func(i int, v float64) float64) event.Values {
	out := make(event.Values, len(values))
	for i, v := range values {
		out[i] = change(i, v)
	}
	return out
}

func TestWhatIsToldOfDarkAndReference(t *testing.T) {
	_, dark, lamp := wide(t)
	light := counts(dark, lamp, constant(1))
	at := func(from, to int, value float64) func(int, float64) float64 {
		return func(i int, v float64) float64 {
			if from <= i && i < to {
				return value
			}
			return v
		}
	}
	tests := []struct {
		name            string
		dark, reference event.Values
		says            []string // each a news; none: nothing is told
		err             string
	}{
		{"good", dark, light, nil, ""},
		{"even dark", changed(dark, func(int, float64) float64 { return 0 }), light, nil, ""},
		// A stable pattern of the detector, 10 % of its dark, is taken off and no fault.
		{"pattern", changed(dark, func(i int, v float64) float64 { return v + 100*float64(i%2) }), light, nil, ""},
		{"reference saturated", dark, changed(light, func(_ int, v float64) float64 { return math.Min(v, 18000) }), []string{"the reference is saturated at 33 pixels between 532 and 628 nm: shorten the integration"}, ""},
		{"dark saturated", changed(dark, at(10, 14, 65535)), light, []string{"the dark is saturated at 4 pixels: block the light"}, ""},
		{"swapped", light, dark, nil, "the dark is brighter than the reference at 100 of 100 pixels: swapped? Take the dark with the light blocked"},
		{"light in half of the dark", changed(dark, func(i int, v float64) float64 { return v + 30000*float64(i/60) }), light,
			[]string{"the dark is brighter than the reference at 40 of 100 pixels", "not dark: it varies along the spectrum by 1"}, ""},
		// Light of the lamp leaks: 20 % of it, less 2·0.105·20000 at the dim end of the spectrum.
		{"leak", changed(dark, func(i int, v float64) float64 { return v + 0.2*lamp[i] }), light, []string{"the dark is not dark: it varies along the spectrum by 2"}, ""},
		{"high", changed(dark, func(_ int, v float64) float64 { return v + 9000 }), changed(light, func(_ int, v float64) float64 { return v + 9000 }),
			[]string{"the dark has 33 % of the reference's highest count"}, ""}, // 10000 of 30000
		{"few counts", dark, changed(dark, func(i int, v float64) float64 { return v + math.Round(lamp[i]/200) }), []string{"the reference is weak: 100 counts above the dark at most"}, ""},
		{"hidden in the scatter", changed(dark, func(i int, v float64) float64 { return v + 100*float64((i*7)%5) + 0.5 }), changed(dark, func(i int, v float64) float64 { return v + 100*float64((i*7)%5) + lamp[i]/20 + 0.5 }),
			[]string{"the reference is weak: 1e+03 counts above the dark at most, which scatters by 1.5e+02 from"}, ""},
		{"no light", dark, dark, []string{"weak: 0 counts"}, "nowhere above the dark"},
		{"hot", changed(dark, at(30, 31, 1900)), changed(light, func(i int, v float64) float64 { return at(30, 31, v+900)(i, v) }), []string{"1 pixel of the dark far above the neighbours, left out: 490.0 nm"}, ""},
	}
	for _, tt := range tests {
		c, _, _ := wide(t)
		take(t, c, event.Dark{Channel: "vis", Counts: tt.dark})
		err := c.Take(event.Reference{Channel: "vis", Material: "Si", Counts: tt.reference})
		if tt.err == "" && err != nil || tt.err != "" && (!errors.Is(err, ErrNoLight) || !strings.Contains(err.Error(), tt.err)) {
			t.Errorf("%s: error %v", tt.name, err)
		}
		news := c.News()
		if len(news) != len(tt.says) {
			t.Errorf("%s: told %q", tt.name, news)
			continue
		}
		for i, text := range news {
			if !strings.Contains(text, tt.says[i]) || !strings.HasPrefix(text, `channel "vis": `) || utf8.RuneCountInString(text) >= event.MaxCleanRunes {
				t.Errorf("%s: told %q, want %q", tt.name, text, tt.says[i])
			}
		}
		// The same again is not told again.
		_ = c.Take(event.Dark{Channel: "vis", Counts: tt.dark})
		if news := c.News(); len(news) != 0 {
			t.Errorf("%s: told again: %q", tt.name, news)
		}
	}
}

// What has been put right and is wrong again is told again.
func TestToldAgain(t *testing.T) {
	c, dark, lamp := wide(t)
	leak := changed(dark, func(i int, v float64) float64 { return v + 0.2*lamp[i] })
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: counts(dark, lamp, constant(1))})
	for range 3 {
		take(t, c, event.Dark{Channel: "vis", Counts: leak})
		if news := c.News(); len(news) != 1 {
			t.Errorf("told %q", news)
		}
		take(t, c, event.Dark{Channel: "vis", Counts: dark})
	}
}

// A calibrator that nobody asks keeps a bounded number of news.
func TestNewsAreBounded(t *testing.T) {
	c, dark, lamp := wide(t)
	take(t, c, event.Reference{Channel: "vis", Material: "Si", Counts: counts(dark, lamp, constant(1))})
	for i := range 200 {
		take(t, c, event.Dark{Channel: "vis", Counts: changed(dark, func(j int, v float64) float64 { return v + 0.2*lamp[j]*float64(i%2) })})
	}
	if n := len(c.News()); n != mostNews {
		t.Errorf("%d news", n)
	}
}

func TestFullScale(t *testing.T) {
	for count, want := range map[float64]bool{4095: true, 16383: true, 65535: true, 1<<24 - 1: true, 1023: false, 4096: false, 65534: false, 65535.5: false, math.Inf(1): false, -1: false} {
		if isFullScale(count) != want {
			t.Errorf("%g: %v", count, !want)
		}
	}
}

// Masked and hot pixels say nothing and are not missing; a hot one no longer hides the flat
// top of a saturated spectrum.
func TestMask(t *testing.T) {
	c, dark, lamp := wide(t)
	mask := event.Channel{MaskNM: [][2]float64{{430, 436}, {900, 950}}, MaskPixels: []int{50, 100}}
	if err := c.SetChannels(map[string]event.Channel{"vis": mask}); err != nil {
		t.Fatal(err)
	}
	if got, want := fmt.Sprintf("%q", c.News()), `["channel \"vis\": mask_pixels of the set-up has 100: the channel has pixels 0 to 99" "channel \"vis\": mask_nm of the set-up has [900, 950]: no pixel lies there"]`; got != want {
		t.Errorf("told %s", got)
	}
	dark[70] = 30000 // hot, and above what saturates below
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: counts(dark, lamp, constant(1))})
	if news := c.News(); len(news) != 1 || !strings.Contains(news[0], "1 pixel of the dark far above the neighbours, left out: 610.0 nm") {
		t.Errorf("told %q", news)
	}
	got := reflectance(t, c, counts(dark, lamp, constant(0.5)))
	wantNaN(t, "masked", got, 10, 11, 12, 50, 70)
	if m := c.Missing(); m != (Missing{Masked: 5, Pixels: 100}) {
		t.Errorf("got %+v", m)
	}
	clipped := counts(dark, lamp, constant(0.9))
	saturated := []int{10, 11, 12, 50, 70}
	for i, v := range clipped {
		if i != 70 && v >= 18000 {
			clipped[i] = 18000
			saturated = append(saturated, i)
		}
	}
	got = reflectance(t, c, clipped)
	wantNaN(t, "saturated", got, saturated...)
	if m := c.Missing(); m != (Missing{Masked: 5, Saturated: len(saturated) - 5, Pixels: 100}) || m.Saturated < 15 {
		t.Errorf("got %+v", m)
	}
	// The mask of the set-up holds for what the instrument calibrated; a hot pixel is of the
	// counts.
	given, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", Reflectance: make(event.Values, 100)})
	if err != nil {
		t.Fatal(err)
	}
	wantNaN(t, "given", given, 10, 11, 12, 50)
	// A run line with the same or other wavelengths keeps the mask.
	for i, first := range []float64{400, 401} {
		take(t, c, event.Run{Channels: map[string]event.Channel{"vis": {WavelengthPoly: event.Values{first, 3}, Pixels: 100}}})
		if ch := c.channels["vis"]; !ch.masked[50] || !ch.masked[11] || ch.masked[13] {
			t.Errorf("run line %d: the mask is gone", i)
		}
	}
	// A dark without the hot pixel gives it back.
	dark[70] = 1000
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: counts(dark, lamp, constant(1))})
	wantNaN(t, "no longer hot", reflectance(t, c, counts(dark, lamp, constant(0.5))), 10, 11, 50)
}

// Where many pixels stand out it is a pattern, which the dark takes off.
func TestPatternIsNotHot(t *testing.T) {
	c, dark, lamp := wide(t)
	for i := 3; i < 100; i += 12 { // 9 of 100
		dark[i] += 3000
	}
	take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: "Si", Counts: counts(dark, lamp, constant(1))})
	wantNaN(t, "pattern", reflectance(t, c, counts(dark, lamp, constant(0.5))))
	if news := c.News(); len(news) != 0 {
		t.Errorf("told %q", news)
	}
}
