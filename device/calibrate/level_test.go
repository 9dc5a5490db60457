package calibrate

import (
	"strings"
	"testing"

	"bluefringe/device/event"
)

// Silicon absorbs within 0.105 µm at 400 nm and 0.39 µm at 450 nm (Green 2008: 95000 and
// 25500 per cm), so 2 µm are opaque up to 450 nm and 0.25 µm nearly so at 400 nm alone.
func TestOpaque(t *testing.T) {
	nm := []float64{380, 400, 420, 440, 449, 450, 460, 600}
	for um, want := range map[float64]int{2: 5, 0.25: 2, 0: 2} {
		c := newCalibrator(t, "air")
		c.SetThinnest(um)
		bare, _ := c.opaque(nm)
		n := 0
		for _, r := range bare {
			if r == r {
				n++
			}
		}
		if n != want {
			t.Errorf("%g µm: %d wavelengths are opaque, want %d: %v", um, n, want, bare)
		}
	}
}

// The die is silicon, on a reference that was not what the line says: aluminium reflects
// 0.92 where silicon does 0.49 to 0.42 (400 to 450 nm, Rakic 1995 and Green 2008), so the die seems
// twice as bright when silicon was taken for aluminium, and half as bright when aluminium
// was taken for silicon.
func TestWrongReference(t *testing.T) {
	c, dark, lamp := wide(t)
	silicon, err := c.standard("Si", c.WavelengthsNM("vis"))
	if err != nil {
		t.Fatal(err)
	}
	aluminium, err := c.standard("Al", c.WavelengthsNM("vis"))
	if err != nil {
		t.Fatal(err)
	}
	seen := func(of []float64, dimmed float64) event.Values {
		return counts(dark, lamp, func(i int) float64 { return dimmed * of[i] })
	}
	dimFor := func(from, to int, by float64) func(int) float64 {
		return func(i int) float64 {
			if from <= i && i < to {
				return by
			}
			return 1
		}
	}
	tests := []struct {
		name     string
		material string
		on       []float64 // what the reference was
		dimmed   func(spectrum int) float64
		says     string
	}{
		{"right", "Si", silicon, constant(1), ""},
		{"24 % off", "Si", silicon, constant(0.76), ""},
		{"silicon taken for aluminium", "Al", silicon, constant(1), "reflects 2.05 times"},
		{"aluminium taken for silicon", "Si", aluminium, constant(1), "reflects 0.49 times"},
		{"right aluminium", "Al", aluminium, constant(1), ""},
		{"slurry for a while", "Si", silicon, dimFor(3, 20, 0.4), ""},
		{"lamp brighter from then on", "Si", silicon, dimFor(3, 99, 1.3), "reflects 1.30 times"},
		{"bright for a moment", "Si", silicon, dimFor(3, 8, 1.3), ""},
	}
	for _, tt := range tests {
		c, _, _ := wide(t)
		c.SetThinnest(2)
		take(t, c, event.Dark{Channel: "vis", Counts: dark}, event.Reference{Channel: "vis", Material: tt.material, Counts: seen(tt.on, 1)})
		var news []string
		for i := range 30 {
			if _, err := c.Reflectance(nil, event.Spectrum{TimeS: float64(i), Channel: "vis", Counts: seen(silicon, tt.dimmed(i))}); err != nil {
				t.Fatal(err)
			}
			news = append(news, c.News()...)
		}
		if tt.says == "" && len(news) > 0 || tt.says != "" && (len(news) != 1 || !strings.Contains(news[0], tt.says) || !strings.Contains(news[0], "wrong reference or material")) {
			t.Errorf("%s: told %q", tt.name, news)
		}
	}
}
