package setup

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"bluefringe/device/event"
)

const full = `# An invented die.
[target]
thickness_um = 2.0
floor_um = 1.5

[optics]
ambient = "water"
temperature_c = 22
[[optics.under]]
material = "SiO2"
thickness_nm = 800
tolerance_nm = 60
[[optics.under]]
material = "nitride"
thickness_nm = 50
[optics.reflector]
material = "Cu"
coverage = [0.1, 1]

[optics.doping]
type = "p"
per_cm3 = 1e19

[instrument.vis]
resolution_nm = 1.5
na = 0.1
stray = 0.005

[process]
pad = "felt, soft"
slurry = " colloid A  (fresh)"
pad_mm = 3
spring_n_mm = 0.7
compression_mm = 2
speed_m_s = 0.25
preston_per_pa = 2.4e-13

[stop]
reaction_s = 3
prepare_s = 0

[[rule]]
name = "edge witness"
when = "edge_nm < 470"
for_s = 3
advice = "stop"
[[rule]]
when = "sd_um > 0.1"
advice = "blind"

[channels.vis]
wavelength_poly = [400, 0.5]
pixels = 1024
mask_nm = [[690, 700], [911.5, 911.5]]
mask_pixels = [12, 511]
[channels.nir]
wavelength_nm = [1300, 1299.5]

[calibration]
record = "dark.jsonl"
reference_age_s = 900
`

func TestParse(t *testing.T) {
	got, err := Parse("die.toml", []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	want := Setup{
		Target: Target{ThicknessUM: 2, FloorUM: 1.5},
		Optics: Optics{
			Ambient: "water", TemperatureC: 22,
			Under: []Layer{
				{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 60},
				{Material: "nitride", ThicknessNM: 50, ToleranceNM: 5},
			},
			Reflector: &Reflector{Material: "Cu", Coverage: [2]float64{0.1, 1}},
			Doping:    Doping{Type: "p", PerCM3: 1e19},
		},
		Instrument: map[string]Instrument{"vis": {ResolutionNM: 1.5, NA: 0.1, Stray: 0.005}},
		Process:    Process{Material: "silicon", Pad: "felt, soft", Slurry: "colloid A (fresh)", PadMM: 3, SpringNMM: 0.7, CompressionMM: 2, SpeedMS: 0.25, PrestonPerPa: 2.4e-13, PrestonRelSD: 0.3},
		Stop:       Stop{ReactionS: 3, RiskFloor: 1e-3, PrepareS: 0},
		Rule: []Rule{
			{Name: "edge witness", When: "edge_nm < 470", ForS: 3, Advice: "stop", Line: 44},
			{Name: "rule 2", When: "sd_um > 0.1", Advice: "blind", Line: 48},
		},
		Channels: map[string]event.Channel{
			"vis": {WavelengthPoly: event.Values{400, 0.5}, Pixels: 1024, MaskNM: [][2]float64{{690, 700}, {911.5, 911.5}}, MaskPixels: []int{12, 511}},
			"nir": {WavelengthNM: event.Values{1300, 1299.5}},
		},
		Calibration: Calibration{Record: "dark.jsonl", DarkAgeS: 3600, ReferenceAgeS: 900},
		Serial:      defaultSerial(),
		Files:       defaultFiles(),
		Name:        "die.toml", Raw: full,
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
	if force, ok := got.Process.Force(); !ok || force != 1.4 {
		t.Errorf("force %g, %v", force, ok)
	}
	if !got.Process.PredictsRate() {
		t.Error("a complete process predicts no rate")
	}
}

func TestDefaults(t *testing.T) {
	d := Default()
	if d.Target != (Target{}) || d.Process.PredictsRate() || d.Optics.TemperatureC != 25 || d.Optics.Ambient != "air" {
		t.Errorf("got %+v", d)
	}
	tests := []struct {
		text      string
		under     []Layer
		reflector *Reflector
	}{
		{"", d.Optics.Under, d.Optics.Reflector},
		{"[optics]\nambient = \"water\"", d.Optics.Under, d.Optics.Reflector},
		{"[optics]\nunder = []", []Layer{}, nil},
		{"[[optics.under]]\nmaterial = \"SiO2\"\nthickness_nm = 500", []Layer{{"SiO2", 500, 50}}, nil},
		{"optics.under = [{material = \"SiO2\", thickness_nm = 500, tolerance_nm = 0}]", []Layer{{"SiO2", 500, 0}}, nil},
		{"[optics.reflector]\nmaterial = \"W\"", nil, &Reflector{"W", [2]float64{0.2, 0.9}}},
	}
	for _, tt := range tests {
		s, err := Parse("die.toml", []byte(tt.text))
		if err != nil {
			t.Errorf("%q: %v", tt.text, err)
			continue
		}
		if !reflect.DeepEqual(s.Optics.Under, tt.under) || !reflect.DeepEqual(s.Optics.Reflector, tt.reflector) {
			t.Errorf("%q: got %+v, %+v", tt.text, s.Optics.Under, s.Optics.Reflector)
		}
		if s.Stop != d.Stop || s.Process != d.Process {
			t.Errorf("%q: got %+v", tt.text, s)
		}
	}
}

// A mask needs no wavelengths: they may come with the stream.
func TestMaskAlone(t *testing.T) {
	s, err := Parse("die.toml", []byte("[channels.v]\nmask_pixels = [0, 65535]\n[channels.w]\nwavelength_nm = [400]"))
	if err != nil || !reflect.DeepEqual(s.WithWavelengths(), []string{"w"}) {
		t.Errorf("got %v, %v", s.Channels, err)
	}
}

// Two set-ups never share memory.
func TestDefaultIsFresh(t *testing.T) {
	a := Default()
	a.Optics.Under[0].ThicknessNM = 1
	a.Optics.Reflector.Material = "Cu"
	if b := Default(); b.Optics.Under[0].ThicknessNM != 800 || b.Optics.Reflector.Material != "Al" {
		t.Errorf("got %+v", b.Optics)
	}
}

func TestPredictsRate(t *testing.T) {
	whole := Process{PadMM: 3, ForceN: 1.4, SpeedMS: 0.25, PrestonPerPa: 2.4e-13}
	if !whole.PredictsRate() {
		t.Error("a complete process predicts no rate")
	}
	for name, less := range map[string]Process{
		"pad":     {ForceN: 1, SpeedMS: 1, PrestonPerPa: 1},
		"force":   {PadMM: 1, SpeedMS: 1, PrestonPerPa: 1, SpringNMM: 1},
		"speed":   {PadMM: 1, ForceN: 1, PrestonPerPa: 1},
		"preston": {PadMM: 1, ForceN: 1, SpeedMS: 1},
	} {
		if less.PredictsRate() {
			t.Errorf("without %s a rate is predicted", name)
		}
	}
}

func TestProblems(t *testing.T) {
	tests := []struct {
		text string
		want []string // the beginning and a part, split by " … "
	}{
		{"[target]\nthicknes_um = 2", []string{"die.toml:2: target.thicknes_um: found an unknown key … target.thickness_um"}},
		{"[targets]\nthickness_um = 2", []string{"die.toml:1: targets: … nearest known key is target"}},
		{"[target]\nreaction_s = 2", []string{"die.toml:2: target.reaction_s: … stop.reaction_s"}},
		{"[channels.v]\nwavelength = [1,2]", []string{"die.toml:2: channels.v.wavelength: … wavelength_", "die.toml:1: channels.v: … needed"}[:1]},
		{"[target]\nthickness_um = -2", []string{"die.toml:2: target.thickness_um: found -2 … above 0"}},
		{"[target]\nthickness_um = nan", []string{"die.toml:2: target.thickness_um: found NaN: a number"}},
		{"[target]\nthickness_um = inf", []string{"die.toml:2: target.thickness_um: found +Inf"}},
		{"[target]\nthickness_um = \"thin\"", []string{`die.toml:2: target.thickness_um: found "thin": a number`}},
		{"target = 3", []string{"die.toml:1: target: found 3: a table is allowed"}},
		{"[target]\nthickness_um = 2\nfloor_um = 2", []string{"die.toml:3: target.floor_um: found 2: less than target.thickness_um, 2"}},
		{"[target]\nfloor_um = -1", []string{"die.toml:2: target.floor_um: found -1 … 0 to 1000"}},
		{"[optics]\nambient = \"oil\"", []string{`die.toml:2: optics.ambient: found "oil": one of air, water`}},
		{"[optics]\ntemperature_c = 300", []string{"die.toml:2: optics.temperature_c: found 300"}},
		{"[[optics.under]]\nmaterial = \"SiO2\"\nthickness_nm = 1\n[[optics.under]]\nmaterial = \"cheese\"\nthickness_nm = 1", []string{`die.toml:5: optics.under[1].material: found "cheese": one of Si, SiO2`}},
		{"[[optics.under]]\nmaterial = \"SiO2\"", []string{"die.toml:1: optics.under[0]: found no thickness_nm"}},
		{"[optics]\nunder = [\n  {material = \"SiO2\", thickness_nm = 1},\n  {material = \"SiO2\", thickness_nm = -1},\n]", []string{"die.toml:4: optics.under[1].thickness_nm: found -1"}},
		{"[optics]\nunder = [\n  {material = \"SiO2\"}]", []string{"die.toml:3: optics.under[0]: found no thickness_nm"}},
		{"[optics.reflector]\nmateriel = \"Al\"", []string{"die.toml:2: optics.reflector.materiel: … nearest known key is optics.reflector.material"}},
		{"[optics]\nunder = [1]", []string{"die.toml:2: optics.under: found [1]: a list of tables"}},
		{"[optics.reflector]\ncoverage = [0.9, 0.2]\nmaterial = \"Al\"", []string{"die.toml:2: optics.reflector.coverage: found [0.9 0.2]: two fractions"}},
		{"[optics.reflector]\ncoverage = [0, 1.1]\nmaterial = \"Al\"", []string{"die.toml:2: optics.reflector.coverage"}},
		{"[optics.reflector]\ncoverage = [0.5]\nmaterial = \"Al\"", []string{"die.toml:2: optics.reflector.coverage: … two numbers"}},
		{"[optics.reflector]\ncoverage = [0, 1]", []string{"die.toml:1: optics.reflector: found no material"}},
		{"[optics.doping]\ntype = \"i\"\nper_cm3 = 1e19", []string{`die.toml:2: optics.doping.type: found "i": one of p, n`}},
		{"[optics.doping]\ntype = \"n\"", []string{"die.toml:1: optics.doping: found no per_cm3"}},
		{"[optics.doping]\nper_cm3 = 1e21\ntype = \"n\"", []string{"die.toml:2: optics.doping.per_cm3: found 1e+21: … 1e20 per cm³"}},
		{"[instrument.vis]\nresolution_nm = 51\nna = 0.7\nstray = -0.1", []string{
			"die.toml:2: instrument.vis.resolution_nm: found 51 … 0 to 50 nm", "die.toml:3: instrument.vis.na: found 0.7 … 0 to 0.6", "die.toml:4: instrument.vis.stray: found -0.1 … 0 to 0.2",
		}},
		{"[instrument]\nna = 0.1", []string{"die.toml:2: instrument.na: found 0.1: … a table"}},
		{"[instrument.vis]\nresolution = 1", []string{"die.toml:2: instrument.vis.resolution: … instrument.*.resolution_nm"}},
		{"[[optics.table]]\nname = \"x\"", []string{"die.toml:1: optics.table[0]: found no file"}},
		{"[[optics.table]]\nname = \"x\"\nfile = 1", []string{"die.toml:3: optics.table[0].file: found 1: text"}},
		{"[optics]\ntable = 1", []string{"die.toml:2: optics.table: found 1: a list of tables"}},
		{"optics = 1", []string{"die.toml:1: optics: found 1: a table"}},
		// No file is opened for a text that is none, and the name is then no second fault.
		{"[[optics.table]]\nname = \"lowk\"\nfile = \"lowk.csv\"\n[optics.reflector]\nmaterial = \"LowK\"", []string{
			`die.toml:3: optics.table[0].file: found "lowk.csv": … inside a record`,
		}},
		{"[process]\nforce_n = 1\nspring_n_mm = 1\ncompression_mm = 1", []string{"die.toml:2: process.force_n: found both"}},
		{"[process]\nspring_n_mm = 1", []string{"die.toml:2: process.spring_n_mm: … compression_mm"}},
		{"[process]\ncompression_mm = 1", []string{"die.toml:2: process.compression_mm: … spring_n_mm"}},
		{"[process]\npad = \" \"", []string{"die.toml:2: process.pad: found … up to 64 characters"}},
		{"[process]\nslurry = \"" + strings.Repeat("µ", 65) + "\"", []string{"die.toml:2: process.slurry: found … up to 64 characters"}},
		{"[process]\nmaterial = 7", []string{"die.toml:2: process.material: found 7: text"}},
		{"[process]\npreston_per_pa = 2.4", []string{"die.toml:2: process.preston_per_pa: found 2.4 … 1e-13"}},
		{"[stop]\nrisk_floor = 0", []string{"die.toml:2: stop.risk_floor: found 0"}},
		{"[[rule]]\nwhen = \"true\"\nadvice = \"halt\"", []string{`die.toml:3: rule[0].advice: found "halt": one of continue, prepare, blind, stop`}},
		{"[[rule]]\nwhen = \"true\"\nadvice = \"stop\"\n[[rule]]\nname = \"x\"", []string{"die.toml:4: rule[1]: found no when", "die.toml:4: rule[1]: found no advice"}},
		{"[[rule]]\nwhen = \" \"\nadvice = \"stop\"", []string{`die.toml:2: rule[0].when: found " "`}},
		{"[channels.v]\nwavelength_nm = [402, 401, 403]", []string{"die.toml:1: channels.v: pixels 1 and 2"}},
		{"[channels.v]\nwavelength_poly = [400, 10]\npixels = 300", []string{"die.toml:1: channels.v: pixel 221 has the wavelength 2610 nm: 150 to 2600 nm"}},
		{"[channels.v]\nwavelength_nm = [0.4, 0.5]", []string{"die.toml:1: channels.v: pixel 0 has the wavelength 0.4 nm: 150 to 2600 nm"}},
		{"[channels.v]\nmask_nm = [700, 690]", []string{"die.toml:2: channels.v.mask_nm: found [700 690]: a list of lists of two numbers, up to 64 ranges in nm"}},
		{"[channels.v]\nmask_nm = [[700, 690]]", []string{"die.toml:2: channels.v.mask_nm: found [[700 690]]: up to 64 ranges in nm, the smaller end first"}},
		{"[channels.v]\nmask_pixels = [-1]", []string{"die.toml:2: channels.v.mask_pixels: found [-1]: numbers of pixels"}},
		{"[channels.v]\nmask_pixels = [1.5]", []string{"die.toml:2: channels.v.mask_pixels: found [1.5]: a list of whole numbers"}},
		{"[channels.v]\nmask_pixels = 7", []string{"die.toml:2: channels.v.mask_pixels: found 7: a list of whole numbers"}},
		{"[channels.v]\nwavelength_nm = [400, 500]\nmask_pixels = [1, 2, 3]\nmask_nm = [[390, 410], [430, 440]]", []string{
			"die.toml:3: channels.v.mask_pixels: found 2: 0 to 1 is allowed",
			"die.toml:4: channels.v.mask_nm: found [430, 440]: no pixel lies there … 400 to 500 nm",
		}},
		{"[channels.v]\nmask = 1", []string{"die.toml:2: channels.v.mask: … channels.*.mask_"}},
		{"[calibration]\ndark_age_s = 0", []string{"die.toml:2: calibration.dark_age_s: found 0: above 0"}},
		{"[calibration]\nreference_age = 60", []string{"die.toml:2: calibration.reference_age: … calibration.reference_age_s"}},
		{"[channels.v]\npixels = 1.5", []string{"die.toml:2: channels.v.pixels: found 1.5: a whole number"}},
		{"[channels.v]\nwavelength_nm = [1, \"2\"]", []string{"die.toml:2: channels.v.wavelength_nm: … a list of numbers"}},
		{"[calibration]\nrecord = \"\"", []string{"die.toml:2: calibration.record"}},
		{"[target]\nfloor_um = 1\nfloor_um = 2", []string{"die.toml:3: toml:"}},
		{"[target]\n\nfloor_um = ", []string{"die.toml:3: toml:"}},
		{"[target]\nfloor_um = 1\n[target]\n", []string{"die.toml:3: toml:"}},
		{"a = \"\xff\"", []string{"die.toml:1: toml:"}},
		{"\"\x1b[2J\" = 1", []string{"die.toml:1: toml:"}},
		{"\"\\u001b[2J\" = 1", []string{"die.toml:1: \uFFFD[2J: found an unknown key"}},
		// All of them at once, in the order of the lines.
		{"[stop]\nreaction_s = -1\nhurry = true\n[target]\nthickness_um = \"x\"", []string{
			"die.toml:2: stop.reaction_s", "die.toml:3: stop.hurry", "die.toml:5: target.thickness_um",
		}},
	}
	for _, tt := range tests {
		_, err := Parse("die.toml", []byte(tt.text))
		var problems Problems
		if !errors.As(err, &problems) {
			t.Errorf("%q: got %v", tt.text, err)
			continue
		}
		got := strings.Split(err.Error(), "\n")
		if len(got) != len(tt.want) || len(got) != len(problems) {
			t.Errorf("%q: got %q", tt.text, got)
			continue
		}
		for i := range got {
			start, part, _ := strings.Cut(tt.want[i], " … ")
			if !strings.HasPrefix(got[i], start) || !strings.Contains(got[i], part) {
				t.Errorf("%q: got %q, want %q", tt.text, got[i], tt.want[i])
			}
		}
	}
}

func TestTooLong(t *testing.T) {
	if _, err := Parse("die.toml", make([]byte, MaxBytes+1)); err == nil || !strings.Contains(err.Error(), "1048576") {
		t.Errorf("got %v", err)
	}
}

// The schema and the structs name the same keys.
func TestSchemaIsComplete(t *testing.T) {
	inStructs := map[string]bool{}
	var walk func(path string, typ reflect.Type)
	walk = func(path string, typ reflect.Type) {
		for typ.Kind() == reflect.Pointer || (typ.Kind() == reflect.Slice && typ.Elem().Kind() == reflect.Struct) {
			typ = typ.Elem()
		}
		if path != "" {
			inStructs[path] = true
		}
		if typ.Kind() == reflect.Map {
			walk(path+".*", typ.Elem())
			return
		}
		if typ.Kind() != reflect.Struct {
			return
		}
		for i := range typ.NumField() {
			name, _, _ := strings.Cut(typ.Field(i).Tag.Get("toml"), ",")
			if name != "-" {
				walk(join(path, name), typ.Field(i).Type)
			}
		}
	}
	walk("", reflect.TypeFor[Setup]())
	for _, f := range schema() {
		if !inStructs[f.path] {
			t.Errorf("%s is in no struct", f.path)
		}
		delete(inStructs, f.path)
	}
	for path := range inStructs {
		t.Errorf("%s is not in the schema", path)
	}
}

func TestLoad(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "die.toml")
	if err := os.WriteFile(path, []byte(full), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Load(path)
	if err != nil || s.Name != path || s.Raw != full || s.Calibration.Record != filepath.Join(folder, "dark.jsonl") {
		t.Errorf("got %+v, %v", s, err)
	}
	if _, err := Load(filepath.Join(folder, "none.toml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}

// A set-up file names tables of its own materials, from its own folder.
func TestLoadTables(t *testing.T) {
	folder := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(folder, "die.toml")
	load := func(text string) (Setup, error) {
		t.Helper()
		write("die.toml", text)
		return Load(path)
	}
	write("lowk.csv", "# invented\nwavelength_nm,n,k\n400,1.32,0\n600,1.3,0\n900,1.29,0\n1700,1.285,0\n")
	write("bad.csv", "wavelength_nm,n,k\n400,1.32,0\n300,1.3,0\n")
	const table = "[[optics.table]]\nname = \"lowk\"\nfile = \"lowk.csv\"\n"

	s, err := load(table + "[[optics.under]]\nmaterial = \"LowK\"\nthickness_nm = 300\n[optics.reflector]\nmaterial = \"lowk\"")
	if err != nil {
		t.Fatal(err)
	}
	m, err := s.Optics.Library.Lookup(s.Optics.Under[0].Material)
	if err != nil {
		t.Fatal(err)
	}
	if v, err := m.Index(600, 25); err != nil || v != 1.3 {
		t.Errorf("got %v, %v", v, err)
	}

	for text, want := range map[string]string{
		strings.Replace(table, "lowk.csv", "bad.csv", 1): path + ":3: optics.table[0].file: bad.csv:3: found 300 nm after 400 nm: a rising wavelength is allowed",
		strings.Replace(table, `"lowk"`, `"Si"`, 1):      path + `:2: optics.table[0].name: found a second material called "Si"`,
		table + table: path + `:5: optics.table[1].name: found a second material called "lowk"`,
		strings.Replace(table, "lowk.csv", "none.csv", 1):               path + ":3: optics.table[0].file: open ",
		table + "[optics.reflector]\nmaterial = \"low\"":                path + `:5: optics.reflector.material: found "low": one of Si, SiO2, Si3N4, water, air, Al, Cu, W, TiN, resist, lowk is allowed`,
		strings.Repeat(table, maxTables+1):                              path + ":1: optics.table: found 33 tables: up to 32 are allowed",
		table + "[optics.reflector]\nmaterial = \"lowk\"\n[x]\ny = 1\n": path + ":6: x: found an unknown key",
	} {
		_, err := load(text)
		if err == nil || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: got %v, want %s…", text, err, want)
		}
	}
}

// FuzzParse: any text gives a set-up or problems, never a panic, and a set-up
// reads the same again.
func FuzzParse(f *testing.F) {
	f.Add([]byte(full))
	f.Add([]byte("optics.under = [{material = \"SiO2\", thickness_nm = 500}]"))
	f.Add([]byte("[[a.b]]\n[a.b.c]\nd.e = {f = [{g = 1}]}"))
	f.Add([]byte("[[rule]]\n[rule.x]\n[[rule.y]]"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := Parse("f", text)
		if err != nil {
			var problems Problems
			if !errors.As(err, &problems) || len(problems) == 0 {
				t.Fatalf("got %T", err)
			}
			return
		}
		again, err := Parse("f", []byte(s.Raw))
		if err != nil || !reflect.DeepEqual(s, again) {
			t.Fatalf("got %+v, %v, then %+v", s, err, again)
		}
	})
}
