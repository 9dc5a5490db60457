package table

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"bluefringe/device/table/export"
)

// All tables here are invented.

// down makes n lines from a pattern with %[1]v for the wavelength and %[2]v, %[3]v for two
// reflectances.
func down(n int, line string) string {
	var out strings.Builder
	for i := range n {
		fmt.Fprintf(&out, line, fmt.Sprintf("%.1f", 400.5+float64(i)), fmt.Sprintf("%.4f", 0.3+float64(i%7)/100), fmt.Sprintf("%.4f", 0.4+float64(i%5)/100))
	}
	return out.String()
}

// across makes a row of n numbers.
func across(n int, separator, format string, value func(i int) float64) string {
	var out []string
	for i := range n {
		out = append(out, fmt.Sprintf(format, value(i)))
	}
	return strings.Join(out, separator)
}

func commas(text string) string { return strings.ReplaceAll(text, ".", ",") }

func rampNM(i int) float64 { return 400.5 + float64(i) }
func first(i int) float64  { return 0.3 + float64(i%7)/100 }
func second(i int) float64 { return 0.4 + float64(i%5)/100 }

// TestDecode reads the same two spectra from tables of every shape.
func TestDecode(t *testing.T) {
	const n = 30
	two, one := "%[1]v,%[2]v,%[3]v\n", "%[1]v %[2]v\n"
	nmRow := across(n, ",", "%.1f", rampNM)
	row1, row2 := across(n, ",", "%.4f", first), across(n, ",", "%.4f", second)
	tests := []struct {
		name, text string
		spectra    int
		names      string
	}{
		{"columns, no head", down(n, two), 2, "/"},
		{"columns with names", "nm,left,right\n" + down(n, two), 2, "left/right"},
		{"trailing commas", "nm,left,right,,\n" + down(n, "%[1]v,%[2]v,%[3]v,,\n"), 2, "left/right"},
		{"quotes", "\"nm\",\"left, in\",\"right\"\n" + down(n, "\"%[1]v\",\"%[2]v\",\"%[3]v\"\n"), 2, "left, in/right"},
		{"semicolons and decimal commas", "nm;left;right\n" + commas(down(n, "%[1]v;%[2]v;%[3]v\n")), 2, "left/right"},
		{"quoted decimal commas between commas", commas(down(n, "\"%[1]v\"|\"%[2]v\"|\"%[3]v\"\n")), 2, "/"},
		{"tabs and decimal commas", commas(down(n, "%[1]v\t%[2]v\t%[3]v\n")), 2, "/"},
		{"blanks", down(n, "   %[1]v    %[2]v   %[3]v\n"), 2, "/"},
		{"blanks and decimal commas", commas(down(n, "   %[1]v    %[2]v   %[3]v\n")), 2, "/"},
		{"comma and blank, decimal commas", strings.ReplaceAll(commas(down(n, "%[1]v; %[2]v; %[3]v\n")), ";", ","), 2, "/"},
		{"pipes", down(n, "%[1]v | %[2]v | %[3]v\n"), 2, "/"},
		{"exponents", down(n, "%[1]ve0 %[2]vE+00 %[3]vD0\n"), 2, "/"},
		{"prose before", "Instrument: invented\r\nIntegration time: 20 ms, 3 scans\r\n\r\n>>> begin <<<\r\n" + down(n, "%[1]v\t%[2]v\t%[3]v\r\n"), 2, "/"},
		{"numbers before", "17\n3,4,5\n2026\n" + down(n, two), 2, "/"},
		{"comment signs", "# a remark\n# nm left right\n" + down(n, "%[1]v %[2]v %[3]v\n"), 2, "left/right"},
		{"rows under a remark", "# " + strings.ReplaceAll(nmRow, ",", " ") + "\n" + strings.ReplaceAll(row1+"\n"+row2, ",", " ") + "\n", 2, "/"},
		{"lines taken out by a comment sign", strings.Replace(down(n, "%[1]v %[2]v %[3]v\n"), "410.5 ", "#409.8 0.9 0.9\n410.5 ", 1), 2, "/"},
		{"a log behind", down(n, two) + "\n[log]\nlamp change,350\nslit,2\n1,2,3\n", 2, "/"},
		{"a log behind that goes on like the numbers", down(n, two) + "[log]\nlamp\n431.5,2,3\n", 2, "/"},
		{"carriage returns alone", down(n, "%[1]v,%[2]v,%[3]v\r"), 2, "/"},
		{"mixed line ends", "nm,left,right\r" + down(n/2, "%[1]v,%[2]v,%[3]v\r\n") + strings.Join(strings.SplitAfter(down(n, two), "\n")[n/2:], ""), 2, "left/right"},
		{"a counter before", "no,nm,left,right\n" + numbered(down(n, two)), 2, "left/right"},
		{"a counter without a head", numbered(down(n, two)), 2, "/"},
		{"a wavenumber beside", "nm,cm-1,left,right\n" + withWavenumbers(down(n, two)), 2, "left/right"},
		{"an empty column between", "nm,left,,right\n" + down(n, "%[1]v,%[2]v,,%[3]v\n"), 2, "left/right"},
		{"pairs", "left,,right,\nnm,R,nm,R\n" + down(n, "%[1]v,%[2]v,%[1]v,%[3]v\n"), 2, "left/right"},
		{"pairs without a head", down(n, "%[1]v,%[2]v,%[1]v,%[3]v\n"), 2, "/"},
		{"rows", nmRow + "\n" + row1 + "\n" + row2 + "\n", 2, "/"},
		{"rows, trailing commas", nmRow + ",\n" + row1 + ",\n" + row2 + ",\n", 2, "/"},
		{"rows with names", "name," + nmRow + "\nleft," + row1 + "\nright," + row2 + "\n", 2, "left/right"},
		{"rows with names, head without a corner", nmRow + "\nleft," + row1 + "\nright," + row2 + "\n", 2, "left/right"},
		{"rows under a head that is wider", "name," + nmRow + ",,,\nleft," + row1 + "\nright," + row2 + "\n", 2, "left/right"},
		{"rows under R400.5", "name," + across(n, ",", "R%.1f", rampNM) + "\nleft," + row1 + "\nright," + row2 + "\n", 2, "left/right"},
		{"rows under 400.5 nm", "name," + across(n, ",", "%.1f nm", rampNM) + "\nleft," + row1 + "\nright," + row2 + "\n", 2, "left/right"},
		{"rows under wavenumbers", "name;" + strings.ReplaceAll(across(n, ";", "%.9f cm-1", func(i int) float64 { return 1e7 / rampNM(i) }), ".", ",") + "\nleft;" + commas(across(n, ";", "%.4f", first)) + "\nright;" + commas(across(n, ";", "%.4f", second)) + "\n", 2, "left/right"},
		{"rows, semicolons and decimal commas", "name;" + commas(across(n, ";", "%.1f", rampNM)) + "\nleft;" + commas(across(n, ";", "%.4f", first)) + "\nright;" + commas(across(n, ";", "%.4f", second)) + "\n", 2, "left/right"},
		{"rows of x and y in turn", nmRow + "\n" + row1 + "\n" + nmRow + "\n" + row2 + "\n", 2, "/"},
		{"a number a line", down(n, "%[1]v\n%[2]v\n"), 1, ""},
		{"a number a line, decimal commas", "x and y in turn\n" + commas(down(n, "%[1]v\n%[2]v\n")), 1, ""},
		{"one below the other", "left\n" + down(n, one) + "\nright\n" + down(n, "%[1]v %[3]v\n"), 2, "left/right"},
		{"one right below the other", down(n, one) + down(n, "%[1]v %[3]v\n"), 2, "/"},
		{"byte-order mark", "\ufeffnm,left,right\n" + down(n, two), 2, "left/right"},
		{"NUL bytes", strings.ReplaceAll(down(n, two), "\n", "\x00\n"), 2, "/"},
		{"a line twice", strings.Replace(down(n, two), "410.5", "409.5,0.3200,0.4400\n410.5", 1), 2, "/"},
		{"per cent signs", percents(down(n, "%[1]v;%[2]v;%[3]v\n")), 2, "/"},
		{"UTF-16", string(wide("nm\tleft\tright\n"+down(n, "%[1]v\t%[2]v\t%[3]v\n"), true)), 2, "left/right"},
		{"UTF-16 without a mark", string(wide("nm\tleft\tright\n"+down(n, "%[1]v\t%[2]v\t%[3]v\n"), false)), 2, "left/right"},
		{"Latin-1", "Wellenl\xe4nge;f\xfcnf;sechs\n" + commas(down(n, "%[1]v;%[2]v;%[3]v\n")), 2, "fünf/sechs"},
	}
	wantNM, want := make([]float64, n), [2][]float64{make([]float64, n), make([]float64, n)}
	for i := range n {
		wantNM[i], want[0][i], want[1][i] = rampNM(i), first(i), second(i)
	}
	for _, tt := range tests {
		f, err := Decode([]byte(tt.text), Options{})
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		var names []string
		for i, s := range f.Spectra {
			names = append(names, s.Name)
			if !near(s.WavelengthNM, wantNM) || !near(s.Values, want[i%2]) || s.Counted {
				t.Errorf("%s: spectrum %d is %v\n%v\nnotes %q", tt.name, i, s.WavelengthNM, s.Values, f.Notes)
				break
			}
		}
		if got := strings.Join(names, "/"); len(f.Spectra) != tt.spectra || got != tt.names {
			t.Errorf("%s: got %d spectra called %q, notes %q", tt.name, len(f.Spectra), got, f.Notes)
		}
	}
}

func near(a, b []float64) bool {
	return slices.EqualFunc(a, b, func(a, b float64) bool { return math.Abs(a-b) < 1e-7 || math.IsNaN(a) && math.IsNaN(b) })
}

func numbered(text string) string {
	lines := strings.SplitAfter(text, "\n")
	for i := range lines[:len(lines)-1] {
		lines[i] = fmt.Sprintf("%d,%s", i+1, lines[i])
	}
	return strings.Join(lines, "")
}

func withWavenumbers(text string) string {
	lines := strings.SplitAfter(text, "\n")
	for i := range lines[:len(lines)-1] {
		lines[i] = strings.Replace(lines[i], ",", fmt.Sprintf(",%.2f,", 1e7/rampNM(i)), 1)
	}
	return strings.Join(lines, "")
}

func percents(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		f := strings.Split(strings.TrimSpace(line), ";")
		var a, b float64
		fmt.Sscan(f[1], &a)
		fmt.Sscan(f[2], &b)
		fmt.Fprintf(&out, "%s;%.2f%%;%.2f%%\n", f[0], 100*a, 100*b)
	}
	return out.String()
}

func wide(text string, mark bool) []byte {
	var out []byte
	if mark {
		out = append(out, 0xff, 0xfe)
	}
	for _, u := range utf16.Encode([]rune(text)) {
		out = append(out, byte(u), byte(u>>8))
	}
	return out
}

// TestRefused: what can be read in two ways, or contradicts itself, is refused with the way
// out.
func TestRefused(t *testing.T) {
	const n = 30
	halves := commas(down(n, "%[1]v,%[2]v\n"))
	tests := []struct{ name, text, want string }{
		{"commas between and inside", halves, "--separator comma --decimal point"},
		{"commas between and inside under names", "nm,R\n" + halves, "--separator comma"},
		{"commas between and inside, three digits", "400,0,3120\n401,0,3130\n402,0,3140\n403,0,3150\n", "--separator comma"},
		{"a line that is spoilt", strings.Replace(down(n, "%[1]v %[2]v\n"), "0.3000\n408.5", "0.3000 # saturated\n408.5", 1), "line 8: found \"407.5 0.3000 # saturated\" in the middle of a spectrum"},
		{"a table in long form", "sample,nm,R\n" + down(n, "a,%[1]v,%[2]v\n") + down(n, "b,%[1]v,%[2]v\n"), "no spectrum found: a column or row"},
		{"pairs of whole numbers, or halves", "Scans: 10\n667,29432,667,32594,667,522,667,1763\n773,28417,773,7571,773,1651,773,503\n879,11334,879,30553,879,1729,879,1922\n985,11161,985,13497,985,597,985,452\n", "--separator comma"},
		{"thousands or fractions", "400\t31,245\n401\t32,245\n402\t33,111\n", "--decimal"},
		{"no numbers", "a file of words\nand more\n", "no spectrum found"},
		{"two numbers", "400 1\n401 2\n", "no spectrum found"},
		{"empty", " \r\n\t", "empty"},
		{"binary", "\x01\x02\x03\x04\x05\x06 400", "no text"},
		{"a spreadsheet", "PK\x03\x04xyz", "spreadsheet"},
		{"an abscissa back and forth", strings.Replace(down(n, "%[1]v,%[2]v\n"), "415.5", "405.7", 1), "line 16: found the abscissa 405.7 behind 414.5"},
		{"an abscissa twice", strings.Replace(down(n, "%[1]v,%[2]v\n"), "415.5", "414.5", 1), "line 16: found the abscissa 414.5 twice"},
		{"a row that is short", "name," + across(n, ",", "%.1f", rampNM) + "\na," + across(n-1, ",", "%.4f", first) + "\n", "line 2: found 29 values for 30 wavelengths"},
		{"a row that is long", "name," + across(n, ",", "%.1f", rampNM) + "\na," + across(n+1, ",", "%.4f", first) + "\n", "line 2: found 31 values for 30 wavelengths"},
		{"per cent or counts", "nm,a\n400,24\n401,25\n402,26\n", "--kind percent, reflectance or counts"},
		{"transmittance", "nm,%T\n" + down(n, "%[1]v,%[2]v\n"), "found transmittance"},
		{"raw and reflectance", "nm,Counts,Reflectance\n" + down(n, "%[1]v,1%[2]v,%[3]v\n"), "--only"},
		{"a time for an abscissa", "time (s),R\n" + down(n, "%[1]v,%[2]v\n"), "which is no wavelength"},
		{"1/cm or ångström", "4000,0.3\n5000,0.31\n8000,0.32\n", "1250 to 2500 nm as cm-1 and 400 to 800 nm as angstrom: --axis settles it"},
	}
	for _, tt := range tests {
		f, err := Decode([]byte(tt.text), Options{})
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, notes %q\nwant an error with %q", tt.name, err, f.Notes, tt.want)
		}
	}
}

// TestOptions: flags settle what is refused, and override what is guessed.
func TestOptions(t *testing.T) {
	counts := "400,30,12\n401,31,13\n402,32,14\n403,33,15\n"
	tests := []struct {
		name, text string
		o          Options
		spectra    int
		nm, value  float64 // of the first spectrum's first pixel
	}{
		{"commas separate", counts, Options{Separator: Comma, Decimal: Point, Options: export.Options{Kind: export.Counts}}, 2, 400, 30},
		{"thousands", "400\t31,245\n401\t32,245\n402\t33,111\n", Options{Decimal: Point}, 1, 400, 31245},
		{"decimal comma", "400\t31,245\n401\t32,245\n402\t33,111\n", Options{Decimal: DecimalComma, Options: export.Options{Kind: export.Percent}}, 1, 400, 0.31245},
		{"axis", "4000 0.3\n5000 0.31\n8000 0.32\n", Options{Options: export.Options{Axis: export.Angstroms}}, 1, 400, 0.3},
		{"wavenumber", "4000 0.3\n5000 0.31\n8000 0.32\n", Options{Options: export.Options{Axis: export.Wavenumbers}}, 1, 2500, 0.3},
		{"only", "nm,a,b\n400,0.1,0.2\n401,0.1,0.2\n402,0.1,0.2\n", Options{Options: export.Options{Only: []string{"B"}}}, 1, 400, 0.2},
		{"only, by a name that is a number", "nm,0,1,2\n400,0.1,0.2,0.3\n401,0.1,0.2,0.3\n402,0.1,0.2,0.3\n", Options{Options: export.Options{Only: []string{"1"}}}, 1, 400, 0.2},
		{"columns, not pairs", "400,0.1,400,0.2\n401,0.1,401,0.2\n402,0.1,402,0.2\n", Options{Layout: Columns, Options: export.Options{Only: []string{"1", "3"}}}, 2, 400, 0.1},
		{"rows", "400,401,402\n0.1,0.2,0.3\n", Options{Layout: Wide}, 1, 400, 0.1},
	}
	for _, tt := range tests {
		f, err := Decode([]byte(tt.text), tt.o)
		if err != nil || len(f.Spectra) != tt.spectra {
			t.Errorf("%s: got %+v, %v", tt.name, f, err)
			continue
		}
		s := f.Spectra[0]
		if math.Abs(s.WavelengthNM[0]-tt.nm) > 1e-9 || math.Abs(s.Values[0]-tt.value) > 1e-9 {
			t.Errorf("%s: got %v, %v", tt.name, s.WavelengthNM, s.Values)
		}
	}
}

// A grid that is even in wavenumber is very uneven in wavelength: no line is lost.
func TestUnevenGrid(t *testing.T) {
	const n = 400
	var out strings.Builder
	for i := range n {
		fmt.Fprintf(&out, "%.6f;%.4f\n", 1e7/(4000+120*float64(i)), first(i))
	}
	f, err := Decode([]byte("nm;R\n"+out.String()), Options{})
	if err != nil || len(f.Spectra[0].Values) != n {
		t.Errorf("got %+v, %v", f.Notes, err)
	}
}

// What once made the reader fall over.
func TestFallen(t *testing.T) {
	Decode([]byte("#  cm-1  R_1  R_2  R_3  R_4  R_5  R_6  R_7\n"+strings.Repeat("11242  0.1  0.2  0.3  0.4  0.5  0.6  0.7\n", 3)), Options{})
}

func TestTimesAndSites(t *testing.T) {
	nm := across(12, ",", "%.1f", rampNM)
	r := across(12, ",", "%.4f", first)
	tests := []struct {
		name, text string
		timeS      []float64
		site       string
	}{
		{"seconds", "time_s," + nm + "\n0.5," + r + "\n1.0," + r + "\n", []float64{0.5, 1}, ""},
		{"minutes and sites", "site,Time (min)," + nm + "\nne,0.5," + r + "\nne,1," + r + "\n", []float64{30, 60}, "ne"},
		{"milliseconds", "t/ms," + nm + "\n0," + r + "\n500," + r + "\n", []float64{0, 0.5}, ""},
		{"the clock, past midnight", "Time," + nm + "\n23:59:59.5," + r + "\n00:00:00.5," + r + "\n", []float64{86399.5, 86400.5}, ""},
		{"names of columns", "nm,0 s,2.5 s\n" + down(12, "%[1]v,%[2]v,%[3]v\n"), []float64{0, 2.5}, ""},
	}
	for _, tt := range tests {
		f, err := Decode([]byte(tt.text), Options{})
		if err != nil || len(f.Spectra) != len(tt.timeS) {
			t.Errorf("%s: %v, %v", tt.name, f, err)
			continue
		}
		for i, s := range f.Spectra {
			if !s.Timed || math.Abs(s.TimeS-tt.timeS[i]) > 1e-9 || s.Site != tt.site {
				t.Errorf("%s: got time %v %v, site %q", tt.name, s.TimeS, s.Timed, s.Site)
			}
		}
	}
	f, err := Decode([]byte("date,"+nm+"\n46083.3,"+r+"\n46084.3,"+r+"\n"), Options{})
	if err != nil || f.Spectra[0].Timed { // days, not seconds
		t.Errorf("got %+v, %v", f, err)
	}
	f, err = Decode([]byte("date,"+nm+"\n2026-03-02T08:00:00Z,"+r+"\n2026-03-02T09:00:12+01:00,"+r+"\n"), Options{})
	if err != nil || f.Spectra[1].When.Sub(f.Spectra[0].When).Seconds() != 12 {
		t.Errorf("got %+v, %v", f, err)
	}
}

func TestDarkAndReference(t *testing.T) {
	f, err := Decode([]byte("Wavelength\tDark\tReference\tSample\n400\t100\t3000\t2000\n401\t101\t3100\t2001\n402\t99\t3200\t2002\n"), Options{})
	if err != nil || len(f.Spectra) != 3 {
		t.Fatalf("got %+v, %v", f, err)
	}
	for i, want := range []export.Role{export.Dark, export.Reference, export.Sample} {
		if s := f.Spectra[i]; s.Role != want || !s.Counted {
			t.Errorf("spectrum %d: got %+v", i, s)
		}
	}
}

func TestBounds(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{"points", down(export.MaxPoints+1, "%[1]v 0.3\n"), "at most 65536"},
		{"a line", strings.Repeat("x", maxLineBytes+1) + "\n", "line 1: found"},
	}
	for _, tt := range tests {
		if _, err := Decode([]byte(tt.text), Options{}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v", tt.name, err)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		"nm,a,b\n" + down(4, "%[1]v,%[2]v,%[3]v\n"),
		commas(down(4, "%[1]v;%[2]v\n")), commas(down(4, "%[1]v,%[2]v\n")),
		"time," + across(4, ",", "%.1f", rampNM) + "\n1," + across(4, ",", "%.4f", first) + "\n",
		down(4, "%[1]v\n%[2]v\n"), down(4, "%[1]v,%[2]v,%[1]v,%[3]v\n"),
		"400 401 402\n0.1 0.2 0.3\n400 401 402\n0.2 0.3 0.1\n",
		"# nm a b c\n" + down(4, "%[1]v %[2]v %[3]v 1\n"), "// x\n# 400 401 402 403\nS 1 0.1 0.2 0.3 0.4\n",
		"% nm R\n\"400,5\" \"0,3\"\n401 nm 30%\n402 nm 31%\n[log]\n1 2\n",
	} {
		f.Add([]byte(seed), "", "")
	}
	f.Fuzz(func(t *testing.T, data []byte, axis, kind string) {
		var o Options
		o.Axis, _ = export.ParseAxis(axis)
		o.Kind, _ = export.ParseKind(kind)
		got, err := Decode(data, o)
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
