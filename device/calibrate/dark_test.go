package calibrate

import (
	"errors"
	"math"
	"strings"
	"testing"

	"bluefringe/device/event"

	"pgregory.net/rapid"
)

// A detector by hand: offset 100 counts, dark current 2 counts/ms, light of the reference
// 1000 counts/ms at every pixel, of the sample half of that. So at 20 ms the dark is 140 and
// the reference 20140, at 5 ms the dark 110 and the sample 2610, at 10 ms 120 and 5120.
func TestIntegrationByHand(t *testing.T) {
	flat := func(v float64) event.Values {
		out := make(event.Values, 8)
		for i := range out {
			out[i] = v + float64(i%2) // not flat, or it would be saturated
		}
		return out
	}
	dark := func(ms, counts float64) event.Body {
		return event.Dark{Channel: "vis", IntegrationMS: ms, Counts: flat(counts)}
	}
	reference := func(ms, counts float64) event.Body {
		return event.Reference{Channel: "vis", Material: "Si", IntegrationMS: ms, Counts: flat(counts)}
	}
	tests := []struct {
		name   string
		taken  []event.Body
		ms     float64
		counts float64
		part   float64 // of the reference's reflectance
		says   string  // instead
	}{
		{"one time", []event.Body{dark(20, 140), reference(20, 20140)}, 20, 10140, 0.5, ""},
		{"spectrum shorter, dark of each time", []event.Body{dark(20, 140), dark(5, 110), reference(20, 20140)}, 5, 2610, 0.5, ""},
		{"spectrum between two darks", []event.Body{dark(20, 140), dark(5, 110), reference(20, 20140)}, 10, 5120, 0.5, ""},
		{"reference between two darks", []event.Body{dark(20, 140), dark(5, 110), reference(10, 10120)}, 5, 2610, 0.5, ""},
		{"within the tolerance", []event.Body{dark(20, 140), reference(20, 20140)}, 20.3, 10290, 10150.0 / 20000 * 20 / 20.3, ""},
		{"times not said", []event.Body{dark(0, 140), reference(0, 20140)}, 0, 10140, 0.5, ""},
		{"only the spectrum's said", []event.Body{dark(0, 140), reference(0, 20140)}, 5, 10140, 0.5, ""},
		{"not said by the spectrum", []event.Body{dark(20, 140), reference(20, 20140)}, 0, 10140, 0.5, ""},
		{"a dark without a time holds for all", []event.Body{dark(20, 100), dark(0, 140), reference(20, 20140)}, 20, 10140, 0.5, ""},
		{"a dark with a time ends that", []event.Body{dark(0, 100), dark(20, 140), reference(20, 20140)}, 20, 10140, 0.5, ""},
		{"the newest of a time", []event.Body{dark(20, 100), dark(20, 140), reference(20, 20140)}, 20, 10140, 0.5, ""},
		{"one dark of another time", []event.Body{dark(20, 140), reference(20, 20140)}, 5, 2610, 0, "found 5 ms, and the dark taken at 20 ms: take a dark at 5 ms"},
		{"beyond two darks", []event.Body{dark(20, 140), dark(5, 110), reference(20, 20140)}, 40, 20180, 0, "take a dark at 40 ms"},
	}
	for _, tt := range tests {
		c := newCalibrator(t, "air")
		take(t, c, tt.taken...)
		standard, err := c.standard("Si", c.WavelengthsNM("vis"))
		if err != nil {
			t.Fatal(err)
		}
		got, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", IntegrationMS: tt.ms, Counts: flat(tt.counts)})
		if tt.says != "" {
			var notReady NotReady
			if !errors.Is(err, ErrIntegration) || !errors.As(err, &notReady) || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("%s: got %v", tt.name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		for i := range got {
			if math.Abs(got[i]-tt.part*standard[i]) > 1e-12 {
				t.Errorf("%s: pixel %d: got %g, want %g", tt.name, i, got[i], tt.part*standard[i])
			}
		}
	}
}

// A reference without a dark of its time leaves the channel without reflectance until that
// comes.
func TestReferenceOfAnotherTime(t *testing.T) {
	_, dark, lamp := bench()
	c := newCalibrator(t, "air")
	take(t, c, event.Dark{Channel: "vis", IntegrationMS: 20, Counts: dark})
	err := c.Take(event.Reference{Channel: "vis", Material: "Si", IntegrationMS: 5, Counts: counts(dark, lamp, constant(1))})
	if !errors.Is(err, ErrIntegration) || !strings.Contains(err.Error(), `channel "vis": reference: no dark of this integration time: found 5 ms`) {
		t.Errorf("got %v", err)
	}
	spectrum := event.Spectrum{Channel: "vis", IntegrationMS: 20, Counts: counts(dark, lamp, constant(0.5))}
	if _, err := c.Reflectance(nil, spectrum); !errors.Is(err, ErrIntegration) {
		t.Errorf("got %v", err)
	}
	take(t, c, event.Dark{Channel: "vis", IntegrationMS: 5, Counts: dark})
	if _, err := c.Reflectance(nil, spectrum); err != nil {
		t.Error(err)
	}
}

func TestDarksAreBounded(t *testing.T) {
	_, dark, _ := bench()
	c := newCalibrator(t, "air")
	for ms := 1.0; ms < 100; ms *= 1.1 {
		take(t, c, event.Dark{Channel: "vis", IntegrationMS: ms, Counts: dark})
	}
	if n := len(c.channels["vis"].darks); n != mostDarks {
		t.Errorf("%d darks are kept", n)
	}
}

// Counting for k times as long, or with k counts an electron, changes no reflectance: counts
// are offset + t·(dark current + light).
func TestScalingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const n = 12
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		list := func(name string, low, high float64) []float64 {
			return rapid.SliceOfN(rapid.Float64Range(low, high), n, n).Draw(t, name)
		}
		offset, current := list("offset", 0, 500), list("current", 0, 3)
		light, part := list("light", 200, 1000), list("part", 0.05, 1.5)
		read := func(ms, gain float64, share func(i int) float64) event.Values {
			out := make(event.Values, n)
			for i := range out {
				out[i] = gain * (offset[i] + ms*(current[i]+light[i]*share(i)))
			}
			return out
		}
		none, whole, sample := constant(0), constant(1), func(i int) float64 { return part[i] }
		measure := func(gain, darkMS, otherMS, referenceMS, spectrumMS float64) []float64 {
			c, err := New("air", 25)
			if err != nil {
				t.Fatal(err)
			}
			ch := event.Channel{WavelengthPoly: event.Values{500, 20}, Pixels: n}
			if err := c.SetChannels(map[string]event.Channel{"vis": ch}); err != nil {
				t.Fatal(err)
			}
			for _, body := range []event.Body{
				event.Dark{Channel: "vis", IntegrationMS: darkMS, Counts: read(darkMS, gain, none)},
				event.Dark{Channel: "vis", IntegrationMS: otherMS, Counts: read(otherMS, gain, none)},
				event.Reference{Channel: "vis", Material: "Si", IntegrationMS: referenceMS, Counts: read(referenceMS, gain, whole)},
			} {
				if err := c.Take(body); err != nil {
					t.Fatal(err)
				}
			}
			r, err := c.Reflectance(nil, event.Spectrum{Channel: "vis", IntegrationMS: spectrumMS, Counts: read(spectrumMS, gain, sample)})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		want := measure(1, 10, 20, 20, 20)
		between := func(name string) float64 {
			if ms := number(name, 8, 25); !sameTime(ms, 8) && !sameTime(ms, 25) {
				return ms
			}
			return 12
		}
		k, gain := number("k", 0.1, 10), number("gain", 0.1, 10)
		for _, got := range [][]float64{
			measure(1, 8, 25, between("reference"), between("spectrum")), // one factor each
			measure(gain, 10, 20, 20, 20),
			measure(gain, 10*k, 20*k, 20*k, 20*k),
		} {
			for i := range want {
				if math.Abs(got[i]-want[i]) > 1e-9 {
					t.Fatalf("pixel %d: got %g, want %g", i, got[i], want[i])
				}
			}
		}
	})
}
