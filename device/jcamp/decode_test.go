package jcamp

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"bluefringe/device/table/export"
)

// file makes a block of invented labels and data.
func file(labels, data string) string {
	return "##TITLE= invented film\n##JCAMP-DX= 4.24 $$ by hand\n##DATA TYPE= UV/VIS SPECTRUM\n" + labels + data + "##END=\n"
}

const nmR = "##XUNITS= NANOMETERS\n##YUNITS= REFLECTANCE\n"

func TestDecode(t *testing.T) {
	fromTo := "##FIRSTX= 400\n##LASTX= 404\n##NPOINTS= 5\n"
	nm := []float64{400, 401, 402, 403, 404}
	tests := []struct {
		name, text string
		nm, values []float64
	}{
		{"AFFN", file(nmR+fromTo+"##YFACTOR= 0.01\n", "##XYDATA= (X++(Y..Y))\n400 30 31 32\n403 33 34\n"),
			nm, []float64{.30, .31, .32, .33, .34}},
		{"PAC", file(nmR+fromTo+"##YFACTOR= 0.01\n##XFACTOR= 0.5\n", "##XYDATA= (X++(Y..Y))\n800+30+31+32\n806+33+34\n"),
			nm, []float64{.30, .31, .32, .33, .34}},
		{"SQZ", file(nmR+fromTo+"##YFACTOR= 0.01\n", "##XYDATA= (X++(Y..Y))\n400C0C1C2\n403C3C4\n"),
			nm, []float64{.30, .31, .32, .33, .34}},
		{"DIFDUP with its checks", file(nmR+fromTo+"##YFACTOR= 0.01\n##FIRSTY= 0.30\n", "##XYDATA= (X++(Y..Y))\n400C0JT\n402C2JJ\n404C4\n"),
			nm, []float64{.30, .31, .32, .33, .34}},
		{"exponents", file(nmR+fromTo, "##XYDATA= (X++(Y..Y))\n4.00E+02 3.0E-01 3.1E-01 0.32\n403 33.0E-02 0.34\n"),
			nm, []float64{.30, .31, .32, .33, .34}},
		{"labels with blanks and no END", strings.TrimSuffix(strings.ReplaceAll(file(nmR+fromTo, "##XYDATA= (XY..XY)\n400 0.3\n401 0.31\n402,0.32; 403,0.33\n404 0.34\n"), "##", "## "), "## END=\n"),
			nm, []float64{.30, .31, .32, .33, .34}},
		{"uneven points", file(nmR+"##NPOINTS= 3\n", "##XYPOINTS= (XY..XY)\n400.5, 0.3; 401, 0.31\n403, 0.32 $$ last\n"),
			[]float64{400.5, 401, 403}, []float64{.30, .31, .32}},
		{"wavenumbers, falling, in per cent", file("##XUNITS= 1/CM\n##YUNITS= % REFLECTANCE\n##FIRSTX= 10000\n##LASTX= 8000\n##NPOINTS= 3\n", "##XYDATA= (X++(Y..Y))\r\n10000 30 31\r\n8000 32\r\n"),
			[]float64{1000, 1e7 / 9000.0, 1250}, []float64{.30, .31, .32}},
		{"micrometres and a missing value", file("##XUNITS= MICROMETERS\n##YUNITS= REFLECTANCE\n##FIRSTX= 1.0\n##LASTX= 1.2\n##NPOINTS= 3\n", "##XYDATA= (X++(Y..Y))\n1.0 0.3 ? 0.32\n"),
			[]float64{1000, 1100, 1200}, []float64{.30, math.NaN(), .32}},
		{"step from DELTAX", file(nmR+"##FIRSTX= 400\n##DELTAX= 2\n", "##XYDATA= (X++(Y..Y))\n400 0.3 0.31\n404 0.32\n"),
			[]float64{400, 402, 404}, []float64{.30, .31, .32}},
		{"header in Latin-1", file("##OWNER= M\xfcller (invented), 20 \xb5m\n"+nmR+fromTo, "##XYDATA= (X++(Y..Y))\n400 0.3 0.31 0.32 0.33 0.34\n"),
			nm, []float64{.30, .31, .32, .33, .34}},
	}
	for _, tt := range tests {
		f, err := Decode([]byte(tt.text), export.Options{})
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		s := f.Spectra[0]
		if len(f.Spectra) != 1 || s.Counted || s.Name != "invented film" || !near(s.WavelengthNM, tt.nm, 1e-6) || !near(s.Values, tt.values, 1e-12) {
			t.Errorf("%s: got %+v\nwant %v\n%v", tt.name, f, tt.nm, tt.values)
		}
	}
}

func near(a, b []float64, tolerance float64) bool {
	return slices.EqualFunc(a, b, func(a, b float64) bool {
		return math.Abs(a-b) <= tolerance || math.IsNaN(a) && math.IsNaN(b)
	})
}

func TestLink(t *testing.T) {
	block := func(name, when, y string) string {
		return "##TITLE= " + name + "\n##JCAMP-DX= 5.01\n##LONGDATE= " + when + "\n" + nmR + "##FIRSTX= 400\n##LASTX= 402\n##NPOINTS= 3\n##XYDATA= (X++(Y..Y))\n400 " + y + "\n##END=\n"
	}
	text := "##TITLE= two places\n##JCAMP-DX= 5.01\n##DATA TYPE= LINK\n##BLOCKS= 2\n" +
		block("c", "2026/03/02 08:00:00", "0.1 0.2 0.3") + block("ne", "2026/03/02 08:00:12.5 +0000", "0.2 0.3 0.4") + "##END=\n"
	f, err := Decode([]byte(text), export.Options{})
	if err != nil || len(f.Spectra) != 2 {
		t.Fatalf("got %+v, %v", f, err)
	}
	a, b := f.Spectra[0], f.Spectra[1]
	if a.Name != "c" || b.Name != "ne" || b.When.Sub(a.When).Seconds() != 12.5 || b.Values[0] != 0.2 || &a.WavelengthNM[0] != &b.WavelengthNM[0] {
		t.Errorf("got %+v", f.Spectra)
	}
}

func TestPeaksBesideASpectrumAreLeftOut(t *testing.T) {
	spectrum := file(nmR+"##NPOINTS= 3\n", "##XYPOINTS= (XY..XY)\n400 0.3 401 0.31 402 0.32\n")
	f, err := Decode([]byte("##TITLE= two\n##DATA TYPE= LINK\n"+file(nmR, "##PEAK TABLE= (XY..XY)\n401 1\n")+spectrum+"##END=\n"), export.Options{})
	if err != nil || len(f.Spectra) != 1 || !strings.Contains(strings.Join(f.Notes, "\n"), "left out: line") {
		t.Errorf("got %+v, %v", f, err)
	}
}

func TestRefused(t *testing.T) {
	fromTo := "##FIRSTX= 400\n##LASTX= 404\n##NPOINTS= 5\n"
	good := "##XYDATA= (X++(Y..Y))\n400 0.30 0.31 0.32\n403 0.33 0.34\n"
	tests := []struct{ name, text, want string }{
		{"peaks", file(nmR, "##PEAK TABLE= (XY..XY)\n400 1\n410 2\n"), "peaks"},
		{"NTUPLES", file("##NTUPLES= MASS\n", ""), "##NTUPLES= is not read"},
		{"wrong number of points", file(nmR+strings.Replace(fromTo, "= 5", "= 6", 1), good), "line 8: ##NPOINTS= is 6, but the table has 5"},
		{"ordinate check", file(nmR+fromTo, "##XYDATA= (X++(Y..Y))\n400C0JJ\n402C3JJ\n404C5\n"), "line 11: the ordinate check fails: found 33, expected 32"},
		{"abscissa check", file(nmR+fromTo, "##XYDATA= (X++(Y..Y))\n400 0.30 0.31 0.32\n405 0.33 0.34\n"), "line 11: the abscissa check fails: found 405, expected 403 for point 4"},
		{"FIRSTY", file(nmR+fromTo+"##FIRSTY= 0.5\n", good), "##FIRSTY= is 0.5"},
		{"FIRSTX", file(nmR+strings.Replace(fromTo, "= 400", "= 300", 1), good), "abscissa check fails"},
		{"LASTX of points", file(nmR+fromTo, "##XYPOINTS= (XY..XY)\n400 1\n401 1\n402 1\n403 1\n500 1\n"), "found the last abscissa 500, expected 404"},
		{"decimal commas", file(nmR+"##NPOINTS= 3\n", "##XYPOINTS= (XY..XY)\n400,5 0,31\n401,0 0,32\n401,5 0,33\n"), "decimal point"},
		{"no step", file(nmR, "##XYDATA= (X++(Y..Y))\n400 1 2 3\n"), "neither ##LASTX= nor ##DELTAX="},
		{"zero factor", file(nmR+fromTo+"##YFACTOR= 0\n", good), "0 is not allowed"},
		{"no number", file(nmR+"##FIRSTX= four\n", good), "##FIRSTX= is \"four\""},
		{"cut short", strings.TrimSuffix(file(nmR+"##FIRSTX= 400\n##LASTX= 404\n", good), "##END=\n"), "cut short"},
		{"another form", file(nmR+fromTo, "##XYDATA= (X++(R..R))\n400 1\n"), "has the form"},
		{"no table", file(nmR, ""), "no spectrum found"},
		{"absorbance", file("##XUNITS= NANOMETERS\n##YUNITS= ABSORBANCE\n"+fromTo, good), "--kind absorbance"},
		{"no spectrum's axis", file("##XUNITS= SECONDS\n##YUNITS= REFLECTANCE\n"+fromTo, good), "no wavelength"},
		{"unit that lies", file("##XUNITS= 1/CM\n##YUNITS= REFLECTANCE\n"+fromTo, good), "as nm it would be 400 to 404 nm: --axis settles it"},
		{"many points", file(nmR+"##FIRSTX= 400\n##DELTAX= 0.001\n", "##XYDATA= (X++(Y..Y))\n400A%Z999999\n"), "more than 65536"},
		{"deep blocks", strings.Repeat("##TITLE= x\n", 40), "deep"},
	}
	for _, tt := range tests {
		if f, err := Decode([]byte(tt.text), export.Options{}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %+v, %v\nwant an error with %q", tt.name, f, err, tt.want)
		}
	}
}

func TestPointsInAll(t *testing.T) {
	text := file(nmR+"##FIRSTX= 400\n##DELTAX= 1\n", strings.Repeat("##XYDATA= (X++(Y..Y))\n400A%V9\n", 3))
	if _, err := read(text, 120); err == nil || !strings.Contains(err.Error(), "line 12: found more than 120 points in all") {
		t.Errorf("got %v", err)
	}
}

func TestSniff(t *testing.T) {
	for text, want := range map[string]bool{
		"##TITLE= x\n": true, "\n  ## JCAMP-DX = 5": true, "##title=": true, "# TITLE\n": false, "400 1\n": false, "": false,
		"$$ remark\r\n##TITLE=x": true,
	} {
		if got := Sniff(text); got != want {
			t.Errorf("%q: got %v", text, got)
		}
	}
}

// TestSamples reads files of other makers, which are not part of this repository: a folder
// with EXPECTED.tsv (file, reader, spectrum, data type, points, first and last abscissa,
// least, most and mean ordinate as two independent readers found them).
func TestSamples(t *testing.T) {
	folder := os.Getenv("BLUEFRINGE_JCAMP")
	if folder == "" {
		t.Skip("BLUEFRINGE_JCAMP names no folder")
	}
	table, err := os.Open(filepath.Join(folder, "EXPECTED.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	defer table.Close()
	for lines := bufio.NewScanner(table); lines.Scan(); {
		f := strings.Split(lines.Text(), "\t")
		if len(f) < 11 || f[1] != "JS" {
			continue
		}
		data, err := os.ReadFile(filepath.Join(folder, f[0]))
		if err != nil {
			t.Fatal(err)
		}
		text, _, err := export.Text(data)
		if err != nil {
			t.Fatal(err)
		}
		blocks, err := read(text, export.MaxValues)
		if err != nil {
			if !strings.Contains(err.Error(), "peaks") {
				t.Errorf("%s: %v", f[0], err)
			}
			continue
		}
		k, _ := strconv.Atoi(f[2])
		b := blocks[k-1]
		sum := 0.0
		for _, y := range b.y {
			sum += y
		}
		got := []float64{float64(len(b.x)), b.x[0], b.x[len(b.x)-1], slices.Min(b.y), slices.Max(b.y), sum / float64(len(b.y))}
		for i, v := range got {
			want, err := strconv.ParseFloat(f[4+i], 64)
			if err != nil || math.Abs(v-want) > 1e-9*max(1, math.Abs(want)) {
				t.Errorf("%s %s: value %d is %v, want %v", f[0], f[2], i, v, want)
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(file(nmR+"##FIRSTX= 400\n##LASTX= 404\n##NPOINTS= 5\n##YFACTOR= 0.01\n", "##XYDATA= (X++(Y..Y))\n400C0JT\n402C2JJ\n404C4\n"))
	f.Add(file(nmR, "##XYPOINTS= (XY..XY)\n400,1 401,2; 402 ?\n"))
	f.Add("##TITLE= a\n##DATA TYPE= LINK\n" + file("##XUNITS= 1/CM\n##DELTAX=-2E0\n", "##XYDATA= (X++(Y..Y))\n9000+1-2+3\n"))
	f.Fuzz(func(t *testing.T, text string) {
		got, err := Decode([]byte(text), export.Options{})
		if err != nil {
			return
		}
		if len(got.Spectra) == 0 {
			t.Fatal("neither spectra nor an error")
		}
		for _, s := range got.Spectra {
			if err := s.Valid(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
