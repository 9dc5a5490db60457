package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	"bluefringe/device/calibrate"
	"bluefringe/device/event"
	"bluefringe/device/simulate"
)

// exported is what an invented instrument measured on an invented die.
type exported struct {
	nm, dark, reference, counts, reflectance []float64
	truthUM                                  float64
	setup                                    string
}

// exportedSpectrum takes one spectrum of a simulated die at rest.
func exportedSpectrum(t *testing.T) exported {
	t.Helper()
	cfg := still(1)
	cfg.Die.ThicknessUM = 2.4
	cfg.Sites = cfg.Sites[:1]
	cfg.Sites[0].XMM, cfg.Sites[0].YMM = 0, 0
	x := exported{setup: writeFile(t, "die.toml", simulate.DemoSetup())}
	c, err := calibrate.New("air", 25)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range recordOf(t, cfg) {
		e, err := event.Decode([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Take(e.Body); err != nil {
			t.Fatal(err)
		}
		switch b := e.Body.(type) {
		case event.Run:
			x.nm, _ = b.Channels["vis"].Wavelengths()
		case event.Dark:
			x.dark = b.Counts
		case event.Reference:
			x.reference = b.Counts
		case event.Truth:
			x.truthUM = b.ThicknessUM
		case event.Spectrum:
			x.counts = b.Counts
			if x.reflectance, err = c.Reflectance(nil, b); err != nil {
				t.Fatal(err)
			}
		}
	}
	return x
}

// column writes a line a pixel; a missing value is empty.
func (x exported) column(format string, values ...[]float64) string {
	var out strings.Builder
	for i, nm := range x.nm {
		row := []any{nm}
		for _, v := range values {
			row = append(row, v[i])
		}
		out.WriteString(strings.ReplaceAll(fmt.Sprintf(format, row...), "NaN", ""))
	}
	return out.String()
}

// Every shape of the same spectrum gives the same values. What is imported is measured: the
// true thickness, within the few nanometres that the noise of one simulated spectrum leaves.
func TestImportIsMeasured(t *testing.T) {
	x := exportedSpectrum(t)
	scaled := make([]float64, len(x.nm))
	var jcamp strings.Builder
	for i := range x.nm {
		scaled[i] = 100 * x.reflectance[i]
		if y := strings.ReplaceAll(fmt.Sprintf("%.6f", x.reflectance[i]), "NaN", "?"); i%4 == 0 {
			fmt.Fprintf(&jcamp, "\n%.6f %s", 1e7/x.nm[i], y)
		} else {
			fmt.Fprintf(&jcamp, "; %.6f %s", 1e7/x.nm[i], y)
		}
	}
	um := x
	um.nm = make([]float64, len(x.nm))
	for i := range um.nm {
		um.nm[i] = x.nm[i] / 1000
	}
	dark := writeFile(t, "dark.txt", x.column("%.4f\t%g\n", x.dark))
	reference := writeFile(t, "si.txt", x.column("%.4f\t%g\n", x.reference))
	tests := []struct {
		name, file, text string
		args             []string
	}{
		{"fractions", "a.csv", "Wavelength (nm),Reflectance\n" + x.column("%.4f,%.6f\n", x.reflectance), nil},
		{"per cent with decimal commas", "b.csv", "Wellenlänge (nm);Reflexion (%)\r\n" + strings.ReplaceAll(x.column("%.4f;%.4f\r\n", scaled), ".", ","), nil},
		{"micrometres", "c.txt", "wavelength_um R\n" + um.column("%.7f %.6f\n", x.reflectance), []string{"--axis", "um"}},
		{"JCAMP-DX in wavenumbers", "d.dx", "##TITLE= invented\n##JCAMP-DX= 4.24\n##XUNITS= 1/CM\n##YUNITS= REFLECTANCE\n##XYPOINTS= (XY..XY)" + jcamp.String() + "\n##END=\n", nil},
		{"counts with dark and reference beside", "e.tsv", "Wavelength\tDark\tReference\tSample\n" + x.column("%.4f\t%g\t%g\t%g\n", x.dark, x.reference, x.counts), nil},
		{"counts with dark and reference in files", "f.txt", x.column("%.4f\t%g\n", x.counts), []string{"--dark", dark, "--reference", reference}},
	}
	for _, tt := range tests {
		out := filepath.Join(t.TempDir(), "run.jsonl")
		got := command(t, "", append([]string{"import", writeFile(t, tt.file, tt.text), "-o", out}, tt.args...)...)
		if got.code != exitDone || got.out != "" {
			t.Errorf("%s: status %d, %s", tt.name, got.code, got.err)
			continue
		}
		text, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		x.same(t, tt.name, events(t, string(text)))
		if tt.name != "counts with dark and reference in files" && tt.name != "fractions" {
			continue
		}
		measured := command(t, "", "measure", out, "--setup", x.setup, "--json")
		var e event.Estimate
		if err := json.Unmarshal([]byte(measured.out), &e); err != nil || measured.code != exitDone || e.ThicknessUM == nil {
			t.Errorf("%s: %v, status %d: %s%s", tt.name, err, measured.code, measured.out, measured.err)
			continue
		}
		if offNM := 1000 * (*e.ThicknessUM - x.truthUM); math.Abs(offNM) > 5 || e.Quality != "good" {
			t.Errorf("%s: %s, off by %g nm", tt.name, measured.out, offNM)
		}
	}
}

// same compares a run with the spectrum it was made of, to the digits of the files.
func (x exported) same(t *testing.T, name string, bodies []event.Body) {
	t.Helper()
	c, err := calibrate.New("air", 25)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range bodies {
		if err := c.Take(b); err != nil {
			t.Fatal(err)
		}
		s, ok := b.(event.Spectrum)
		if !ok {
			continue
		}
		got, err := c.Reflectance(nil, s)
		if err != nil {
			t.Fatal(err)
		}
		nm := c.WavelengthsNM("vis")
		for i := range x.nm {
			missing := math.IsNaN(got[i]) && math.IsNaN(x.reflectance[i])
			if math.Abs(nm[i]-x.nm[i]) > 1e-3 || math.Abs(got[i]-x.reflectance[i]) > 1e-5 && !missing {
				t.Errorf("%s: pixel %d is %g at %g nm, want %g at %g nm", name, i, got[i], nm[i], x.reflectance[i], x.nm[i])
				return
			}
		}
		return
	}
	t.Errorf("%s: no spectrum", name)
}

const small = "nm,R\n400,0.31\n401,0.32\n402,0.33\n"

func events(t *testing.T, text string) []event.Body {
	t.Helper()
	var out []event.Body
	for line := range strings.Lines(text) {
		e, err := event.Decode([]byte(line))
		if err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if _, note := e.Body.(event.Note); !note {
			out = append(out, e.Body)
		}
	}
	return out
}

func TestImportLines(t *testing.T) {
	got := command(t, small, "import", "-", "--channel", "spot", "--site", "ne", "--job", "invented")
	want := `{"type":"run","format":1,"job":"invented","channels":{"spot":{"wavelength_nm":[400,401,402]}}}
{"type":"note","time_s":0,"text":"-: read as columns, separator comma, decimal point: 1 spectrum of 3 points (--orientation, --separator, --decimal override)"}
{"type":"note","time_s":0,"text":"-: axis in nm, as \"nm\" says"}
{"type":"note","time_s":0,"text":"-: ordinate taken for reflectance, as \"R\" says (--kind overrides)"}
{"type":"spectrum","time_s":0,"channel":"spot","site":"ne","reflectance":[0.31,0.32,0.33]}
{"type":"end","time_s":0}
`
	if got.code != exitDone || got.out != want {
		t.Errorf("status %d: %s\ngot  %s\nwant %s", got.code, got.err, got.out, want)
	}
	for _, note := range []string{"read as columns", `axis in nm, as "nm" says`, "taken for reflectance"} {
		if strings.Count(got.err, note) != 1 {
			t.Errorf("%q is not told once: %s", note, got.err)
		}
	}
	noControl(t, got.err)
}

// noControl fails on what a terminal would obey.
func noControl(t *testing.T, text string) {
	t.Helper()
	for line := range strings.Lines(text) {
		if line = strings.TrimSuffix(line, "\n"); strings.ContainsFunc(line, unicode.IsControl) {
			t.Errorf("control characters in %q", line)
		}
	}
}

func TestImportSeveralFiles(t *testing.T) {
	a, b := writeFile(t, "a.csv", small), writeFile(t, "b.csv", strings.ReplaceAll(small, "0.3", "0.4"))
	other := writeFile(t, "c.csv", strings.ReplaceAll(small, "40", "110"))
	dx := func(name, when string) string {
		return writeFile(t, name, "##TITLE= x\n##LONGDATE= 2026/03/02 08:00:"+when+"\n##XUNITS= NANOMETERS\n##YUNITS= REFLECTANCE\n##FIRSTX= 400\n##LASTX= 402\n##NPOINTS= 3\n##XYDATA= (X++(Y..Y))\n400 0."+when+" 0.2 0.3\n##END=\n")
	}
	late, early := dx("late.dx", "30"), dx("early.dx", "10")
	tests := []struct {
		name     string
		args     []string
		channels int
		timeS    []float64
		first    float64 // of the first pixel of the first spectrum
	}{
		{"in the order of their names", []string{a, b}, 1, []float64{0, 1}, 0.31},
		{"with an interval", []string{b, a, "--interval-s", "2.5"}, 1, []float64{0, 2.5}, 0.41},
		{"two axes", []string{a, other}, 2, []float64{0, 1}, 0.31},
		{"with times of their own", []string{late, early}, 1, []float64{0, 20}, 0.10},
		{"with times of their own, overridden", []string{late, early, "--interval-s", "1"}, 1, []float64{0, 1}, 0.30},
		{"some with times of their own", []string{a, early}, 1, []float64{0, 1}, 0.31},
	}
	for _, tt := range tests {
		got := command(t, "", append([]string{"import"}, tt.args...)...)
		if got.code != exitDone {
			t.Errorf("%s: status %d: %s", tt.name, got.code, got.err)
			continue
		}
		bodies := events(t, got.out)
		var times []float64
		for _, b := range bodies {
			if s, ok := b.(event.Spectrum); ok {
				times = append(times, s.TimeS)
			}
		}
		if n := len(bodies[0].(event.Run).Channels); n != tt.channels || fmt.Sprint(times) != fmt.Sprint(tt.timeS) || bodies[1].(event.Spectrum).Reflectance[0] != tt.first {
			t.Errorf("%s: got %s", tt.name, got.out)
		}
	}
}

func TestImportRefuses(t *testing.T) {
	good := writeFile(t, "good.csv", small)
	bad := writeFile(t, "bad\x1b[2J.csv", "400,25,0,31\n401,25,0,32\n402,25,0,33\n")
	other := writeFile(t, "other.csv", "400,100\n401,100\n403,100\n")
	tests := []struct {
		name string
		args []string
		code int
		want string
	}{
		{"no file", []string{}, exitUsage, "requires at least 1 arg"},
		{"a file that is not there", []string{"none.csv"}, exitUsage, "no file none.csv"},
		{"a folder", []string{filepath.Dir(good)}, exitUsage, "is a folder"},
		{"axis", []string{good, "--axis", "furlong"}, exitUsage, "--axis: found \"furlong\": nm, um, cm-1, angstrom or eV is allowed"},
		{"kind", []string{good, "--kind", "x"}, exitUsage, "--kind: found \"x\""},
		{"separator", []string{good, "--separator", "x"}, exitUsage, "--separator"},
		{"decimal", []string{good, "--decimal", "x"}, exitUsage, "--decimal"},
		{"orientation", []string{good, "--orientation", "x"}, exitUsage, "--orientation"},
		{"interval", []string{good, "--interval-s", "0"}, exitUsage, "--interval-s"},
		{"channel", []string{good, "--channel", strings.Repeat("x", 65)}, exitUsage, "--channel"},
		{"material", []string{good, "--reference-material", "cheese"}, exitUsage, "--reference-material"},
		{"dark with reflectance", []string{good, "--dark", good, "--kind", "percent"}, exitUsage, "they belong to counts"},
		{"dark on another axis", []string{good, "--dark", other, "--kind", "counts"}, exitFailed, "axis"},
		{"ambiguous", []string{bad}, exitFailed, "--separator comma"},
		{"out exists", []string{good, "-o", good}, exitUsage, "exists"},
	}
	for _, tt := range tests {
		got := command(t, "", append([]string{"import"}, tt.args...)...)
		if got.code != tt.code || !strings.Contains(got.err, tt.want) || got.out != "" {
			t.Errorf("%s: status %d, %q, %q", tt.name, got.code, got.out, got.err)
		}
		noControl(t, got.err)
	}
	if text, err := os.ReadFile(good); err != nil || string(text) != small {
		t.Error("an input was overwritten")
	}
}

func TestImportSaysWhatCountsLack(t *testing.T) {
	got := command(t, "nm,counts\n400,3000\n401,3001\n402,3002\n", "import", "-")
	if got.code != exitDone || !strings.Contains(got.err, "--dark and --reference") {
		t.Errorf("status %d: %s", got.code, got.err)
	}
}
