package material

import (
	"fmt"
	"strings"
	"testing"
)

const lowK = `# An invented porous film.
# Made up for tests.
wavelength_nm,n,k
400, 1.32, 0
600, 1.30, 0
900, 1.29, 0
1700, 1.285, 0.001
`

func TestParseTable(t *testing.T) {
	for name, text := range map[string]string{
		"plain": lowK, "line ends of another system": strings.ReplaceAll(lowK, "\n", "\r\n"), "byte order mark": "\ufeff" + lowK,
	} {
		m, err := ParseTable("lowk.csv", []byte(text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for nm, want := range map[float64]complex128{400: 1.32, 600: 1.30, 1700: 1.285 + 0.001i} {
			if v, err := m.Index(nm, 25); err != nil || v != want {
				t.Errorf("%s: %g nm gives %g, %v; want %g", name, nm, v, err, want)
			}
		}
		if from, to := m.RangeNM(); from != 400 || to != 1700 {
			t.Errorf("%s: spans %g to %g", name, from, to)
		}
		if name == "plain" && m.Source() != "An invented porous film.\nMade up for tests.\n" {
			t.Errorf("source %q", m.Source())
		}
	}
}

func TestParseTableErrors(t *testing.T) {
	const top = "# invented\nwavelength_nm,n,k\n400,1.3,0\n"
	for text, want := range map[string]string{
		"":                              "lowk.csv: found 0 rows: 4 to 10000",
		"400,1.3,0\n":                   `lowk.csv:1: found "400,1.3,0": the line wavelength_nm,n,k is allowed`,
		"nm,n,k\n":                      `lowk.csv:1: found "nm,n,k"`,
		top:                             "lowk.csv: found 1 rows",
		top + "500,1.3\n":               "lowk.csv:4: found 2 values: wavelength_nm,n,k is allowed",
		top + "500,x,0\n":               `lowk.csv:4: found "x": a number is allowed`,
		top + "500,,0\n":                `lowk.csv:4: found "": a number`,
		top + "# a remark\n400,1.3,0\n": "lowk.csv:5: found 400 nm after 400 nm: a rising wavelength",
		top + "99,1.3,0\n":              "lowk.csv:4: found 99 nm: 100 to 20000 nm is allowed",
		top + "NaN,1.3,0\n":             "lowk.csv:4: found NaN nm",
		top + "500,0,0\n":               "lowk.csv:4: found n = 0: above 0 and up to 20",
		top + "500,Inf,0\n":             "lowk.csv:4: found n = +Inf",
		top + "500,1.3,-1e-9\n":         "lowk.csv:4: found k = -1e-09: 0 to 100",
		top + "500,1.3,nan\n":           "lowk.csv:4: found k = NaN",
		top + "500,1e999,0\n":           `lowk.csv:4: found "1e999"`,
		top + "500,\"1.3,0\n":           "lowk.csv: parse error on line 4",
		top + "401,20,0\n402,0.01,0\n800,0.01,0\n": "lowk.csv: found rows through which n swings to",
		top + strings.Repeat("#", MaxTableBytes):   "lowk.csv: found more than 1048576 bytes",
		top + "500," + strings.Repeat("9", 500):    "lowk.csv:4: found",
	} {
		_, err := ParseTable("lowk.csv", []byte(text))
		if err == nil || !strings.HasPrefix(err.Error(), want) || len(err.Error()) > 200 {
			t.Errorf("%.60q: got %v, want %s…", text, err, want)
		}
	}
	var long strings.Builder
	long.WriteString("wavelength_nm,n,k\n")
	for i := range maxRows + 1 {
		fmt.Fprintf(&long, "%d.%d,1.3,0\n", 400+i/10, i%10)
	}
	if _, err := ParseTable("lowk.csv", []byte(long.String())); err == nil || !strings.HasPrefix(err.Error(), "lowk.csv:10002: found more than 10000 rows") {
		t.Errorf("got %v", err)
	}
}

func TestLibrary(t *testing.T) {
	m, err := ParseTable("lowk.csv", []byte(lowK))
	if err != nil {
		t.Fatal(err)
	}
	var l Library
	if err := l.Add("lowk", m); err != nil {
		t.Fatal(err)
	}
	if got, err := l.Lookup("LowK"); err != nil || got.Name() != "lowk" {
		t.Errorf("got %v, %v", got, err)
	}
	if got, err := l.Lookup("oxide"); err != nil || got.Name() != "SiO2" {
		t.Errorf("got %v, %v", got, err)
	}
	if names := l.Names(); names[len(names)-1] != "lowk" || len(names) != len(Names())+1 {
		t.Errorf("names %v", names)
	}
	if _, err := l.Lookup("none"); err == nil || !strings.HasSuffix(err.Error(), "resist, lowk") {
		t.Errorf("got %v", err)
	}
	for _, name := range []string{"Si", "oxide", "LOWK", "", " ", strings.Repeat("x", 41), "a\x1b[2J"} {
		if err := l.Add(name, m); err == nil {
			t.Errorf("%q is accepted as a name", name)
		}
	}
	for _, none := range []*Library{nil, {}} {
		if got, err := none.Lookup("Al"); err != nil || got.Name() != "Al" {
			t.Errorf("got %v, %v", got, err)
		}
		if _, err := none.Lookup("lowk"); err == nil {
			t.Error("a library knows a material of another")
		}
	}
}

// Any text gives a table with an index throughout or an error, never a panic.
func FuzzParseTable(f *testing.F) {
	f.Add([]byte(lowK))
	f.Add([]byte("wavelength_nm,n,k\n100,20,0\n101,1e-9,100\n102,20,0\n103,1,1\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := ParseTable("f", text)
		if err != nil {
			return
		}
		from, to := m.RangeNM()
		for i := range 101 {
			v, err := m.Index(min(from+(to-from)*float64(i)/100, to), 25)
			if err != nil || !(imag(v) >= 0) {
				t.Fatalf("got %g, %v", v, err)
			}
		}
	})
}
