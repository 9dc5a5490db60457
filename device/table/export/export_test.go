package export

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// ramp is a spectrum of five points from a to b.
func ramp(a, b float64, xHead, yHead string, y ...float64) Raw {
	r := Raw{Line: 1, XHead: xHead, YHead: yHead, Name: yHead}
	for i := range 5 {
		r.X = append(r.X, a+(b-a)*float64(i)/4)
		r.Y = append(r.Y, y[i%len(y)])
	}
	return r
}

func TestAxis(t *testing.T) {
	tests := []struct {
		name     string
		from, to float64
		head     string
		prose    []string
		forced   Axis
		firstNM  float64 // 0: refused
		want     string  // in the notes or the error
	}{
		{"nm", 400, 1000, "Wavelength (nm)", nil, "", 400, "axis in nm"},
		{"Wellenlänge", 400, 1000, "Wellenlänge [nm]", nil, "", 400, "axis in nm"},
		{"no unit", 400, 1000, "", nil, "", 400, "names no unit"},
		{"no unit, wavelength", 0.4, 1, "wavelength", nil, "", 400, "taken to be in um"},
		{"no unit, two ways", 1.0, 1.7, "", nil, "", 0, "--axis settles it"},
		{"no unit, two ways again", 4000, 8000, "", nil, "", 0, "--axis settles it"},
		{"no unit, none fits", 3, 100, "", nil, "", 0, "--axis"},
		{"micrometres", 1.0, 1.7, "λ / µm", nil, "", 1000, "axis in um"},
		{"micrometres, the other sign", 1.0, 1.7, "Wavelength (μm)", nil, "", 1000, "axis in um"},
		{"wavenumber", 10000, 5000, "Wavenumber (cm-1)", nil, "", 1000, "axis in cm-1"},
		{"wavenumber in raised figures", 10000, 5000, "ν̃ / cm⁻¹", nil, "", 1000, "axis in cm-1"},
		{"1/cm", 10000, 5000, "1/CM", nil, "", 1000, "axis in cm-1"},
		{"cm^-1", 10000, 5000, "cm^-1", nil, "", 1000, "axis in cm-1"},
		{"ångström", 4000, 8000, "Wavelength (Å)", nil, "", 400, "axis in angstrom"},
		{"photon energy", 1, 3, "Energy (eV)", nil, "", 1239.841984, "axis in eV"},
		{"unit in the prose", 10000, 5000, "", []string{"a remark of 3 nm", "X axis: wavenumbers in cm-1"}, "", 1000, "as the line"},
		{"nm that is µm", 1.0, 1.7, "Wavelength (nm)", nil, "", 1000, "WARNING: axis taken to be in um, not in nm"},
		{"µm that is nm", 400, 1000, "µm", nil, "", 400, "WARNING: axis taken to be in nm, not in um"},
		{"nm that may be 1/cm", 4000, 9000, "nm", nil, "", 0, "--axis settles it"},
		{"1/cm that may be nm", 210, 650, "1/CM", nil, "", 0, "as nm it would be 210 to 650 nm: --axis settles it"},
		{"far infrared", 3000, 700, "cm-1", nil, "", 1e7 / 3000.0, "beyond"},
		{"two units", 400, 1000, "nm or cm-1", nil, "", 0, "several units"},
		{"volts", 400, 1000, "V", nil, "", 0, "no wavelength"},
		{"time", 400, 1000, "time (s)", nil, "", 0, "no wavelength"},
		{"forced", 400, 1000, "time (s)", nil, Nanometres, 400, ""},
		{"forced to no light", 400, 1000, "nm", nil, Micrometres, 0, "no light in um"},
		{"negative", -1, 5, "nm", nil, "", 0, "above 0"},
	}
	for _, tt := range tests {
		f, err := Settle([]Raw{ramp(tt.from, tt.to, tt.head, "reflectance", 0.3)}, tt.prose, Options{Axis: tt.forced})
		said := strings.Join(f.Notes, "\n")
		if err != nil {
			said = err.Error()
		}
		if (err != nil) != (tt.firstNM == 0) || !strings.Contains(said, tt.want) {
			t.Errorf("%s: got %v, %q", tt.name, err, said)
			continue
		}
		if err == nil && math.Abs(f.Spectra[0].WavelengthNM[0]-tt.firstNM) > 1e-6 {
			t.Errorf("%s: got %v", tt.name, f.Spectra[0].WavelengthNM)
		}
	}
}

func TestKind(t *testing.T) {
	tests := []struct {
		name   string
		head   string
		y      []float64
		prose  []string
		forced Kind
		value  float64 // of the first pixel; NaN: refused
		counts bool
		want   string
	}{
		{"reflectance", "Reflectance", []float64{0.3, 0.4}, nil, "", 0.3, false, "taken for reflectance"},
		{"reflectance that is per cent", "Reflectance", []float64{30, 40}, nil, "", 0.3, false, "taken for percent"},
		{"%R", "%R", []float64{30, 40}, nil, "", 0.3, false, "taken for percent"},
		{"R (%)", "R (%)", []float64{30, 40}, nil, "", 0.3, false, "taken for percent"},
		{"Reflexion [%]", "Reflexion [%]", []float64{30, 40}, nil, "", 0.3, false, "taken for percent"},
		{"per cent that are fractions", "%R", []float64{0.3, 0.4}, nil, "", math.NaN(), false, "--kind"},
		{"reflectance that is counts", "Reflectance", []float64{3000, 4000}, nil, "", math.NaN(), false, "--kind"},
		{"counts", "Counts", []float64{0.3, 4000}, nil, "", 0.3, true, "taken for counts"},
		{"intensity", "Intensity (a.u.)", []float64{30, 40}, nil, "", 30, true, "taken for counts"},
		{"nothing, large", "", []float64{3000, 4000}, nil, "", 3000, true, "names no quantity"},
		{"nothing, fractions", "", []float64{0.31, 0.4}, nil, "", 0.31, false, "names no quantity"},
		{"nothing, between", "", []float64{31, 40}, nil, "", math.NaN(), false, "--kind"},
		{"nothing, 0 and 1", "", []float64{0, 1}, nil, "", math.NaN(), false, "--kind"},
		{"nothing, negative", "", []float64{-3.5, 1}, nil, "", math.NaN(), false, "--kind"},
		{"prose", "", []float64{31, 40}, []string{"a film", "Reflectance"}, "", 0.31, false, "as the line \"Reflectance\""},
		{"prose of two minds", "", []float64{31, 40}, []string{"Reflectance", "Counts"}, "", math.NaN(), false, "--kind"},
		{"transmittance", "%T", []float64{31, 40}, nil, "", math.NaN(), false, "transmittance"},
		{"absorbance", "Absorbance", []float64{1, 2}, nil, "", math.NaN(), false, "--kind absorbance"},
		{"forced absorbance", "Absorbance", []float64{1, 2}, nil, Absorbance, 0.1, false, ""},
		{"irradiance", "irradiance", []float64{1, 2}, nil, "", math.NaN(), false, "another quantity"},
		{"forced per cent", "%T", []float64{31, 40}, nil, Percent, 0.31, false, ""},
		{"forced and impossible", "", []float64{31, 40}, nil, Reflectance, math.NaN(), false, "cannot"},
		{"forced per cent of nothing", "", []float64{0.31, 0.4}, nil, Percent, 0.0031, false, "WARNING"},
	}
	for _, tt := range tests {
		f, err := Settle([]Raw{ramp(400, 500, "nm", tt.head, tt.y...)}, tt.prose, Options{Kind: tt.forced})
		said := strings.Join(f.Notes, "\n")
		if err != nil {
			said = err.Error()
		}
		if (err != nil) != math.IsNaN(tt.value) || !strings.Contains(said, tt.want) {
			t.Errorf("%s: got %v, %q", tt.name, err, said)
			continue
		}
		if err == nil && (math.Abs(f.Spectra[0].Values[0]-tt.value) > 1e-12 || f.Spectra[0].Counted != tt.counts) {
			t.Errorf("%s: got %+v", tt.name, f.Spectra[0])
		}
	}
}

func TestSettleRefuses(t *testing.T) {
	good := ramp(400, 500, "nm", "reflectance", 0.3)
	bad := func(change func(*Raw)) []Raw {
		r := good
		r.X, r.Y = slices.Clone(r.X), slices.Clone(r.Y)
		change(&r)
		return []Raw{r}
	}
	for want, series := range map[string][]Raw{
		"no spectrum":            nil,
		"2 points":               bad(func(r *Raw) { r.X, r.Y = r.X[:2], r.Y[:2] }),
		"is no number":           bad(func(r *Raw) { r.X[2] = math.NaN() }),
		"stands behind":          bad(func(r *Raw) { r.X[2] = r.X[1] }),
		"holds no values":        bad(func(r *Raw) { r.Y = []float64{math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()} }),
		"too close":              bad(func(r *Raw) { r.XHead, r.X = "um", []float64{1, 1 + 1e-14, 1.1, 1.2, 1.3} }),
		"are different things":   {good, ramp(400, 500, "nm", "counts", 3000)},
		"found a spectrum of 65": bad(func(r *Raw) { r.X, r.Y = make([]float64, 65537), make([]float64, 65537) }),
	} {
		if _, err := Settle(series, nil, Options{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
	if _, err := Settle([]Raw{good}, nil, Options{Only: []string{"x"}}); err == nil || !strings.Contains(err.Error(), `found no spectrum "x"`) {
		t.Errorf("got %v", err)
	}
}

func TestUncertaintiesAreLeftOut(t *testing.T) {
	f, err := Settle([]Raw{ramp(400, 500, "nm", "Reflectance", 0.3), ramp(400, 500, "nm", "Std. dev.", 0.01)}, nil, Options{})
	if err != nil || len(f.Spectra) != 1 || !strings.Contains(strings.Join(f.Notes, "\n"), "left out: an uncertainty") {
		t.Errorf("got %+v, %v", f, err)
	}
}

func TestRoles(t *testing.T) {
	for name, want := range map[string]Role{
		"Dark": Dark, "dark counts": Dark, "Dark (counts)": Dark, "background": Dark, "DARK_1": Dark,
		"Reference": Reference, "white reference": Reference, "ref": Reference, "Referenz": Reference, "Si reference": Reference,
		"Sample": Sample, "dark field sample": Sample, "reflectance": Sample, "refined": Sample, "": Sample,
	} {
		if got := RoleOf(name); got != want {
			t.Errorf("%q: got %v, want %v", name, got, want)
		}
	}
}

func TestText(t *testing.T) {
	tests := []struct{ name, in, want string }{
		{"UTF-8 with a mark", "\xef\xbb\xbfµm", "µm"},
		{"Latin-1", "\xb5m \xc5", "µm Å"},
		{"Windows-1252", "10 \x80 \x96", "10 € –"},
		{"UTF-16, big end first", "\xfe\xff\x00a\x00b", "ab"},
		{"UTF-16, little end first", "\xff\xfea\x00\xb5\x00", "aµ"},
		{"UTF-16 without a mark", "4\x000\x000\x00 \x001\x00\n\x00", "400 1\n"},
		{"UTF-16, a pair and half a unit", "\xff\xfe\x3d\xd8\x00\xdea\x00\x01", "😀a"},
		{"NUL", "400\x00 1 and much more text", "400 1 and much more text"},
		{"an old end of file", "400 1\n\x1a", "400 1\n"},
	}
	for _, tt := range tests {
		if got, _, err := Text([]byte(tt.in)); got != tt.want || err != nil {
			t.Errorf("%s: got %q, %v", tt.name, got, err)
		}
	}
	for in, want := range map[string]string{"": "empty", "\xff\xfe": "empty", "\x1f\x8b123": "gzip", "%PDF-1": "PDF", "a\x02\x03\x04": "no text"} {
		if got, _, err := Text([]byte(in)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %q, %v", in, got, err)
		}
	}
}

func TestMoment(t *testing.T) {
	for text, want := range map[string]string{
		"2026-03-02T08:00:00Z":             "2026-03-02T08:00:00Z",
		"Date: 2026-03-02 08:00:00.250":    "2026-03-02T08:00:00.25Z",
		"2026/03/02 08:00":                 "2026-03-02T08:00:00Z",
		"2026/03/02 08:00:00.5 +0100":      "2026-03-02T07:00:00.5Z",
		"2026-03-02T08:00:00-05:00, later": "2026-03-02T13:00:00Z",
		"02/03/2026 08:00:00":              "", // the second of March, or the third of February
		"2026-13-02 08:00:00":              "",
		"2026-03-02":                       "",
		"":                                 "",
	} {
		got, ok := Moment(text)
		if ok != (want != "") || ok && got.UTC().Format(time.RFC3339Nano) != want {
			t.Errorf("%q: got %v, %v", text, got, ok)
		}
	}
}

func FuzzText(f *testing.F) {
	f.Add([]byte("\xff\xfea\x00b"))
	f.Add([]byte("400\x00 \xb5"))
	f.Fuzz(func(t *testing.T, data []byte) {
		text, _, err := Text(data)
		if err == nil && (strings.TrimSpace(text) == "" || strings.ContainsRune(text, 0)) {
			t.Fatalf("%q became %q", data, text)
		}
		Moment(text)
		axisHints(text)
		kindHint(text)
	})
}
