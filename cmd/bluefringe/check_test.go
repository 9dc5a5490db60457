package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/optics"
	"bluefringe/optics/material"
)

// bench is an invented instrument in front of an invented film.
type bench struct {
	thicknessNM, fwhmNM, stray float64
	spectra, pixels            int
	noise                      float64 // of the counts at full light
	drift                      float64 // of brightness, per spectrum
	lamp, dark, full           float64 // counts
	bare                       bool    // no film
	reflectance                bool    // calibrated by the instrument
	without                    string  // a kind of line that is missing
	sites                      []string
}

func goodBench() bench {
	return bench{thicknessNM: 3000, fwhmNM: 3, stray: 0.04, spectra: 12, pixels: 300, noise: 0.003, lamp: 40000, dark: 1200, full: 65535, sites: []string{"c"}}
}

// lines is the record that the bench gives. Reflectances are by the recursion averaged
// over a Gaussian line, with fused silica by I. H. Malitson, J. Opt. Soc. Am. 55 (1965)
// 1205.
func (b bench) lines(t *testing.T) []string {
	t.Helper()
	rng := rand.New(rand.NewPCG(21, 1))
	silicon, err := material.Lookup("Si")
	if err != nil {
		t.Fatal(err)
	}
	exact := func(nm, thicknessNM float64) float64 {
		index, err := silicon.Index(nm, 25)
		if err != nil {
			t.Fatal(err)
		}
		l := nm * nm / 1e6
		n := math.Sqrt(1 + 0.6961663*l/(l-0.0684043*0.0684043) + 0.4079426*l/(l-0.1162414*0.1162414) + 0.8974794*l/(l-9.896161*9.896161))
		return optics.Reflectance(nm, 1, []optics.Layer{{Index: complex(n, 0), ThicknessNM: thicknessNM}}, index, 0, optics.S)
	}
	blurred := func(nm float64) float64 {
		sum, weights := 0.0, 0.0
		for k := -16; k <= 16; k++ {
			u := float64(k) / 4
			sum += math.Exp(-u*u/2) * exact(nm+u*b.fwhmNM/math.Sqrt(8*math.Ln2), b.thicknessNM)
			weights += math.Exp(-u * u / 2)
		}
		return sum / weights
	}
	nm := make(event.Values, b.pixels)
	film, bare := make([]float64, b.pixels), make([]float64, b.pixels)
	mean := 0.0
	for i := range nm {
		nm[i] = math.Round((410+540*float64(i)/float64(b.pixels-1))*1000) / 1000
		film[i], bare[i] = blurred(nm[i]), exact(nm[i], 0)
		if b.bare {
			film[i] = bare[i]
		}
		mean += film[i] / float64(b.pixels)
	}
	// Stray light is a share of the mean signal, at every pixel.
	counts := func(reflectance []float64, bright float64) event.Values {
		out := make(event.Values, b.pixels)
		pure, mean := make([]float64, b.pixels), 0.0
		for i, w := range nm {
			pure[i] = b.lamp * math.Exp(-math.Pow((w-640)/170, 2)/2) * reflectance[i] / 0.35 * bright
			mean += pure[i] / float64(b.pixels)
		}
		for i := range nm {
			light := pure[i] + b.stray*mean
			light += b.noise * math.Sqrt(b.lamp*math.Max(light, 0)+0.01*b.lamp*b.lamp) * rng.NormFloat64()
			out[i] = math.Round(math.Min(b.full, math.Max(0, b.dark+light)))
		}
		return out
	}
	var lines []string
	add := func(body event.Body) {
		line, err := event.Append(nil, body)
		if err != nil {
			t.Fatal(err)
		}
		if b.without == "" || !strings.HasPrefix(string(line), `{"type":"`+b.without+`"`) {
			lines = append(lines, string(line))
		}
	}
	add(event.Run{Format: 1, Job: "invented film", Channels: map[string]event.Channel{"vis": {WavelengthNM: nm}}})
	if !b.reflectance {
		quiet := b
		quiet.noise /= 8 // an average of 64
		b = quiet
		add(event.Dark{Channel: "vis", Counts: counts(make([]float64, b.pixels), 1)})
		add(event.Reference{TimeS: 1, Channel: "vis", Material: "silicon", Counts: counts(bare, 1)})
		b.noise *= 8
	}
	for j := range b.spectra {
		s := event.Spectrum{TimeS: float64(2 + j), Channel: "vis", Site: b.sites[j%len(b.sites)]}
		if b.reflectance {
			s.Reflectance = make(event.Values, b.pixels)
			for i := range s.Reflectance {
				s.Reflectance[i] = (film[i]+b.stray*mean)/(1+b.stray) + b.noise*rng.NormFloat64()
			}
		} else {
			s.Counts = counts(film, 1+b.drift*float64(j))
		}
		add(s)
	}
	add(event.End{TimeS: float64(3 + b.spectra)})
	return lines
}

func (b bench) record(t *testing.T) string {
	t.Helper()
	return writeFile(t, "film.jsonl", strings.Join(b.lines(t), "\n")+"\n")
}

// checked runs check --json and decodes its one line.
func checked(t *testing.T, record string, args ...string) (checkLine, outcome) {
	t.Helper()
	got := command(t, "", append([]string{"check", record, "--json"}, args...)...)
	var line checkLine
	if strings.Count(got.out, "\n") != 1 {
		t.Fatalf("%d lines, want one: %s%s", strings.Count(got.out, "\n"), got.out, got.err)
	}
	if err := json.Unmarshal([]byte(got.out), &line); err != nil {
		t.Fatal(err)
	}
	return line, got
}

func TestCheckReport(t *testing.T) {
	b := goodBench()
	record := b.record(t)
	got := command(t, "", "check", record)
	t.Log("\n" + got.out + got.err)
	if got.code != exitDone || got.err != "" {
		t.Errorf("status %d: %s", got.code, got.err)
	}
	for _, text := range []string{"SiO2", "good", "µm", "resolution", "stray light", "at least half down to", "12 spectra", "[instrument.vis]\nresolution_nm = ", "\nstray = 0.0"} {
		if !strings.Contains(got.out, text) {
			t.Errorf("the report does not say %q", text)
		}
	}
	_, block, _ := strings.Cut(got.out, "# for the set-up file\n")
	if _, err := setup.Parse("block", []byte(block)); err != nil {
		t.Errorf("the set-up does not take what the report gives it: %v", err)
	}
	if strings.Contains(got.out, "warning") || strings.Contains(got.out, "NaN") || strings.Contains(got.out, "\x1b") {
		t.Error("the report warns, or holds what is no text")
	}
}

func TestCheckJSON(t *testing.T) {
	for name, b := range map[string]bench{
		"counts":      goodBench(),
		"reflectance": func() bench { b := goodBench(); b.reflectance = true; return b }(),
		"thick": func() bench {
			b := goodBench()
			b.thicknessNM, b.fwhmNM, b.stray = 4700, 1.6, 0.01
			return b
		}(),
	} {
		line, got := checked(t, b.record(t))
		t.Logf("%s: %s", name, got.out)
		if got.code != exitDone || !line.Passed || line.Type != "check" || line.Channel != "vis" || line.Film != "SiO2" || line.Spectra != b.spectra {
			t.Errorf("%s: status %d, %+v, %s", name, got.code, line, got.err)
		}
		near := func(what string, v *float64, want, tolerance float64) {
			if v == nil || !(math.Abs(*v-want) <= tolerance) {
				t.Errorf("%s: %s is not %g ± %g: %s", name, what, want, tolerance, got.out)
			}
		}
		near("thickness", line.ThicknessUM, b.thicknessNM/1000, math.Max(0.003, 0.003*b.thicknessNM/1000))
		near("resolution", line.ResolutionNM, b.fwhmNM, 0.15*b.fwhmNM)
		near("stray light", line.Stray, b.stray, 0.01)
		if line.BetweenSpectraSDUM == nil || *line.BetweenSpectraSDUM > 0.001 {
			t.Errorf("%s: spectra disagree", name)
		}
		if len(line.Contrast) < 20 {
			t.Errorf("%s: contrast at %d wavelengths", name, len(line.Contrast))
		}
		if b.reflectance {
			near("noise", line.NoiseReflectance, b.noise, 0.1*b.noise)
			if line.DarkCounts != nil {
				t.Errorf("%s: dark counts in a record without", name)
			}
			continue
		}
		near("dark", line.DarkCounts, b.dark, 30)
	}
}

func TestCheckFaults(t *testing.T) {
	change := func(f func(*bench)) bench { b := goodBench(); b.spectra = 6; f(&b); return b }
	cases := map[string]struct {
		bench bench
		code  int
		says  []string // in the line or on standard error
	}{
		"bare silicon":    {change(func(b *bench) { b.bare = true }), exitFailed, []string{"film cannot be read"}},
		"much stray":      {change(func(b *bench) { b.stray = 0.4 }), exitFailed, []string{"stray light is"}},
		"some stray":      {change(func(b *bench) { b.stray = 0.15 }), exitDone, []string{"stray light is 1"}},
		"noise":           {change(func(b *bench) { b.noise = 0.045 }), exitDone, []string{"noise is"}},
		"drift":           {change(func(b *bench) { b.drift = 0.011 }), exitDone, []string{"drifts by +5"}},
		"saturated":       {change(func(b *bench) { b.full = 36000 }), exitDone, []string{"saturates", "shorten the exposure"}},
		"bright dark":     {change(func(b *bench) { b.dark = 20000 }), exitDone, []string{"dark level is"}},
		"single spectrum": {change(func(b *bench) { b.spectra = 1 }), exitDone, []string{"1 spectrum of the film"}},
		"two sites":       {change(func(b *bench) { b.sites = []string{"c", "ne\x1b[2J", "c"} }), exitDone, []string{"left out", "site c"}},
		"thin film":       {change(func(b *bench) { b.thicknessNM, b.fwhmNM = 600, 1 }), exitDone, []string{"too thin"}},
	}
	for name, c := range cases {
		record := c.bench.record(t)
		line, got := checked(t, record)
		if got.code != c.code || line.Passed != (c.code == exitDone) {
			t.Errorf("%s: status %d, want %d: %s%s", name, got.code, c.code, got.out, got.err)
		}
		words := command(t, "", "check", record)
		if words.code != c.code {
			t.Errorf("%s: in words status %d", name, words.code)
		}
		for _, text := range c.says {
			if !strings.Contains(strings.Join(append(line.Faults, line.Warnings...), "\n"), text) || !strings.Contains(words.out, text) {
				t.Errorf("%s: %q is not said: %s%s", name, text, got.out, words.out)
			}
		}
		if strings.Contains(words.out, "[instrument.") != (c.code == exitDone) {
			t.Errorf("%s: the lines for the set-up: %s", name, words.out)
		}
		if all := got.out + got.err + words.out + words.err; strings.ContainsAny(all, "\x1b\x07") || strings.Contains(all, "NaN") {
			t.Errorf("%s: control characters or NaN in %q", name, all)
		}
		t.Logf("%s: %v %v", name, line.Faults, line.Warnings)
	}
}

func TestCheckUsage(t *testing.T) {
	record := goodBench().record(t)
	empty := writeFile(t, "empty.jsonl", "")
	missing := func(kind string) string {
		b := goodBench()
		b.without = kind
		return b.record(t)
	}
	few := goodBench()
	few.pixels = 40
	for name, c := range map[string]struct {
		args []string
		code int
		says []string
	}{
		"help":            {[]string{"check", "--help"}, exitDone, nil},
		"no record named": {[]string{"check"}, exitUsage, []string{"1 arg"}},
		"no record":       {[]string{"check", record + "x"}, exitUsage, []string{"no record"}},
		"unknown film":    {[]string{"check", record, "--film", "butter"}, exitUsage, []string{"butter", "SiO2 or resist"}},
		"unknown channel": {[]string{"check", record, "--channel", "nir"}, exitUsage, []string{"nir", "vis"}},
		"empty":           {[]string{"check", empty}, exitFailed, []string{"no spectra"}},
		"folder":          {[]string{"check", t.TempDir()}, exitFailed, nil},
		"no run line":     {[]string{"check", missing("run")}, exitFailed, []string{"unknown channel", "none of 12 spectra"}},
		"no dark":         {[]string{"check", missing("dark")}, exitFailed, []string{"no dark", "none of 12 spectra"}},
		"no reference":    {[]string{"check", missing("reference")}, exitFailed, []string{"no reference", "none of 12 spectra"}},
		"no spectra":      {[]string{"check", missing("spectrum")}, exitFailed, []string{"no spectra"}},
		"few pixels":      {[]string{"check", few.record(t)}, exitFailed, []string{"40 pixels", "60"}},
		"wrong film":      {[]string{"check", record, "--film", "Resist"}, exitDone, nil}, // an index of 1.5 is within reach of a resist
	} {
		got := command(t, "", c.args...)
		if got.code != c.code {
			t.Errorf("%s: status %d, want %d: %s%s", name, got.code, c.code, got.out, got.err)
		}
		for _, text := range c.says {
			if !strings.Contains(got.err, text) {
				t.Errorf("%s: %q does not say %q", name, got.err, text)
			}
		}
		if c.code != exitDone && got.out != "" {
			t.Errorf("%s: wrote to standard output: %s", name, got.out)
		}
		t.Logf("%s: %s", name, got.err)
	}
}

// What no instrument should send is counted and told; the rest is read.
func TestCheckBadInput(t *testing.T) {
	lines := goodBench().lines(t)
	n := len(lines)
	hostile := []string{
		"\x00\xff\x1b[2J\x07garbage", `{"type":`, lines[4] + " 00000000",
		`{"type":"spectrum","time_s":3,"channel":"vis","counts":[1,2,3]}`,
		`{"type":"spectrum","time_s":3,"channel":"\u001b[2Juv","counts":[1,2,3]}`,
		`{"type":"note","time_s":3,"text":"\u001b[2Jowned"}`, `{"type":"unheard"}`, "",
		`{"type":"dark","time_s":3,"channel":"vis","counts":[1]}`,
	}
	text := strings.Join(lines[:n-2], "\n") + "\n" + strings.Join(hostile, "\n") + "\n" + strings.Repeat("x", 5<<20) + "\n" + lines[n-2] + "\n" + lines[n-2][:100]
	line, got := checked(t, writeFile(t, "film.jsonl", text))
	if got.code != exitDone || line.Spectra != 12 || !line.Passed {
		t.Errorf("status %d: %s%s", got.code, got.out, got.err)
	}
	for _, said := range []string{"not an event", "wrong number of pixels", "too long", "torn", "1 with a wrong checksum"} {
		if !strings.Contains(got.err, said) {
			t.Errorf("%q is not said: %s", said, got.err)
		}
	}
	if strings.ContainsAny(got.err+got.out, "\x1b\x07\x00") {
		t.Error("control characters came through")
	}
	// A set-up in the record that says water, and one that is none.
	with := func(toml string) string {
		return writeFile(t, "film.jsonl", lines[0]+"\n"+fmt.Sprintf(`{"type":"setup","toml":%q}`, toml)+"\n"+strings.Join(lines[1:], "\n")+"\n")
	}
	line, got = checked(t, with("[optics]\nambient = \"water\"\n"))
	if got.code != exitDone || !strings.Contains(strings.Join(line.Warnings, "\n"), "says water") {
		t.Errorf("water: status %d, %s%s", got.code, got.out, got.err)
	}
	if bad := command(t, "", "check", with("[optics]\nambient = \"milk\"\n")); bad.code != exitUsage || !strings.Contains(bad.err, "milk") {
		t.Errorf("milk: status %d, %s", bad.code, bad.err)
	}
}

// One value far off in one spectrum does not reach the average.
func TestCheckAverage(t *testing.T) {
	spectra := [][]float64{{1, 2, 5}, {1.1, 2, math.NaN()}, {0.9, 2, math.NaN()}, {1, 90, math.NaN()}, {1, 2, 5}}
	got := average(spectra)
	if math.Abs(got[0]-1) > 1e-12 || got[1] != 2 || !math.IsNaN(got[2]) {
		t.Errorf("average %v, want 1, 2, NaN", got)
	}
}
