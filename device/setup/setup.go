// Package setup reads the set-up file: what is known of a die and its process
// before a run. The file is TOML; every fault in it is reported at once, each
// with file, line, key, what was found and what is allowed.
package setup

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/pelletier/go-toml/v2"

	"bluefringe/device/event"
	"bluefringe/optics/material"
)

// MaxBytes bounds a set-up file.
const MaxBytes = 1 << 20

// Setup is the content of a set-up file with its defaults filled in.
type Setup struct {
	Start       Start                    `toml:"start"`
	Target      Target                   `toml:"target"`
	Die         Die                      `toml:"die"`
	Optics      Optics                   `toml:"optics"`
	Instrument  map[string]Instrument    `toml:"instrument"` // by channel
	Process     Process                  `toml:"process"`
	Plan        Plan                     `toml:"plan"`
	Stop        Stop                     `toml:"stop"`
	Rule        []Rule                   `toml:"rule"`
	Channels    map[string]event.Channel `toml:"channels"` // some may have a mask alone, see WithWavelengths
	Calibration Calibration              `toml:"calibration"`
	Serial      Serial                   `toml:"serial"`
	Files       Files                    `toml:"files"`

	Name string `toml:"-"` // of the file, for messages
	Raw  string `toml:"-"` // the text, for the record; empty for Default
}

// Target is where the run shall end.
type Target struct {
	ThicknessUM float64 `toml:"thickness_um"` // 0: not set
	FloorUM     float64 `toml:"floor_um"`     // no place may ever be thinner; 0: not set
	WindowUM    float64 `toml:"window_um"`    // how far below the target is still as wanted; 0: the advice's default
}

// Die is the silicon that counts: a rectangle around x = y = 0 of the sites. Zero means
// not known: then the sites are its corners.
type Die struct {
	WidthMM  float64 `toml:"width_mm"`
	HeightMM float64 `toml:"height_mm"`
}

// Optics is what the light meets.
type Optics struct {
	Ambient      string     `toml:"ambient"` // "air" or "water"; touches the silicon while measuring
	TemperatureC float64    `toml:"temperature_c"`
	Under        []Layer    `toml:"under"`     // below the silicon, nearest first
	Reflector    *Reflector `toml:"reflector"` // nil: no metal below them
	Table        []Table    `toml:"table"`
	Doping       Doping     `toml:"doping"` // of the silicon; zero: none

	// Library holds the built-in materials and those of Table; nil when there are
	// none of those.
	Library *material.Library `toml:"-"`
}

// Table names a file of refractive indices as a material.
type Table struct {
	Name string `toml:"name"`
	File string `toml:"file"`
}

// Doping is the free carriers of the silicon.
type Doping struct {
	Type   string  `toml:"type"` // "p" or "n"
	PerCM3 float64 `toml:"per_cm3"`
}

// Carriers is the doping as the optics take it.
func (d Doping) Carriers() material.Carriers {
	return material.Carriers{Type: material.CarrierType(d.Type), PerCM3: d.PerCM3}
}

// Instrument is what a spectrometer and its optics do to a spectrum. Zero means
// not known, or none.
type Instrument struct {
	ResolutionNM float64 `toml:"resolution_nm"` // full width at half maximum of a line
	NA           float64 `toml:"na"`            // numerical aperture of the illumination
	Stray        float64 `toml:"stray"`         // stray light, a fraction of the signal
}

// Layer is one layer below the silicon.
type Layer struct {
	Material    string  `toml:"material"`
	ThicknessNM float64 `toml:"thickness_nm"`
	ToleranceNM float64 `toml:"tolerance_nm"` // the true thickness lies within; 10 % of the thickness unless set
}

// Reflector is the first metal below the layers.
type Reflector struct {
	Material string     `toml:"material"`
	Coverage [2]float64 `toml:"coverage"` // least and most of the spot that is metal
}

// Process is what removes the silicon. Zero means not set. The names are clean text
// of the user's choice; the rate book compares runs by them.
type Process struct {
	Material      string  `toml:"material"` // that is removed; "silicon" unless set
	Pad           string  `toml:"pad"`      // kind of pad
	Slurry        string  `toml:"slurry"`
	PadMM         float64 `toml:"pad_mm"`
	ForceN        float64 `toml:"force_n"`
	SpringNMM     float64 `toml:"spring_n_mm"`
	CompressionMM float64 `toml:"compression_mm"`
	SpeedMS       float64 `toml:"speed_m_s"`
	PrestonPerPa  float64 `toml:"preston_per_pa"`
	PrestonRelSD  float64 `toml:"preston_rel_sd"`
	BreakInS      float64 `toml:"break_in_s"` // time constants of the rate over contact; 0: not known
	GlazingS      float64 `toml:"glazing_s"`
}

// Force returns the force on the pad in newtons, from the spring where there is
// no force_n; false when neither is set.
func (p Process) Force() (forceN float64, ok bool) {
	if p.ForceN > 0 {
		return p.ForceN, true
	}
	forceN = p.SpringNMM * p.CompressionMM
	return forceN, forceN > 0
}

// PredictsRate tells whether everything for a removal rate is set: pad, force,
// speed and Preston coefficient.
func (p Process) PredictsRate() bool {
	_, hasForce := p.Force()
	return hasForce && p.PadMM > 0 && p.SpeedMS > 0 && p.PrestonPerPa > 0
}

// Stop says how the advice to stop is timed.
type Stop struct {
	ReactionS   float64 `toml:"reaction_s"`   // from the advice to pad off the die
	RiskFloor   float64 `toml:"risk_floor"`   // accepted probability of crossing the floor
	RiskStretch float64 `toml:"risk_stretch"` // and of passing the window of the target in a stretch without sight; 0: the advice's default
	PrepareS    float64 `toml:"prepare_s"`    // how long before stop the operator is told to prepare
}

// Rule is one stop rule of the operator's own.
type Rule struct {
	Name   string  `toml:"name"`
	When   string  `toml:"when"`
	ForS   float64 `toml:"for_s"`
	Advice string  `toml:"advice"`
	Line   int     `toml:"-"` // of its condition, for messages
}

// Calibration names a record that holds dark and reference, for streams that
// carry none, and tells how old they may become.
type Calibration struct {
	Record        string  `toml:"record"`
	DarkAgeS      float64 `toml:"dark_age_s"` // run time after which a new one is asked for
	ReferenceAgeS float64 `toml:"reference_age_s"`
}

// A dark holds longer than a reference: it depends on the detector's temperature alone,
// a reference on the lamp as well. Common practice, no source.
const (
	defaultDarkAgeS      = 3600
	defaultReferenceAgeS = 1800
)

// Default is the set-up without a file: air at 25 °C, an oxide of 800 ± 80 nm
// over aluminium that covers 20 to 90 % of the spot, no target and no floor.
func Default() Setup {
	s := defaults()
	s.Name = "default set-up"
	s.Optics.Under = []Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}}
	s.Optics.Reflector = &Reflector{Material: "Al", Coverage: defaultCoverage()}
	return s
}

// defaults holds what each missing key means.
func defaults() Setup {
	return Setup{
		Optics:      Optics{Ambient: "air", TemperatureC: 25},
		Process:     Process{Material: "silicon", PrestonRelSD: 0.3},
		Stop:        Stop{ReactionS: 2, RiskFloor: 1e-3, PrepareS: 20},
		Calibration: Calibration{DarkAgeS: defaultDarkAgeS, ReferenceAgeS: defaultReferenceAgeS},
		Serial:      defaultSerial(),
		Files:       defaultFiles(),
	}
}

func defaultCoverage() [2]float64 { return [2]float64{0.2, 0.9} }

const defaultRelTolerance = 0.1

// Load reads a set-up file and the tables of materials that it names. Relative
// names, also of the calibration record, are taken from the folder of the set-up
// file.
func Load(path string) (Setup, error) {
	data, err := readFile(path, MaxBytes)
	if err != nil {
		return Setup{}, err
	}
	s, err := parse(path, data, inFolder(filepath.Dir(path)))
	if err != nil {
		return Setup{}, err
	}
	if r := s.Calibration.Record; r != "" && !filepath.IsAbs(r) {
		s.Calibration.Record = filepath.Join(filepath.Dir(path), r)
	}
	return s, nil
}

// Parse reads the text of a set-up file; name is for messages. When neither
// layers under the silicon nor a reflector are given (under = [] counts as
// given), they are those of Default. It opens no file: a set-up that names tables
// of materials is refused. An error is a Problems.
func Parse(name string, data []byte) (Setup, error) {
	return parse(name, data, nil)
}

func parse(name string, data []byte, open opener) (Setup, error) {
	if len(data) > MaxBytes {
		return Setup{}, Problems{{File: name, Text: fmt.Sprintf("found more than %d bytes, no set-up is that long", MaxBytes)}}
	}
	data = append([]byte(nil), data...)
	tree := map[string]any{}
	if err := toml.Unmarshal(data, &tree); err != nil {
		return Setup{}, Problems{syntaxProblem(name, err)}
	}
	c := checker{file: name, lines: indexLines(data)}
	c.loadTables(tree, open)
	c.table("", "", tree)
	if len(c.problems) > 0 {
		return Setup{}, c.sorted()
	}
	s := defaults()
	if err := toml.Unmarshal(data, &s); err != nil {
		return Setup{}, Problems{syntaxProblem(name, err)}
	}
	s.Name, s.Raw, s.Optics.Library = name, string(data), c.library
	s.fill(c.lines)
	c.together(s)
	if len(c.problems) > 0 {
		return Setup{}, c.sorted()
	}
	return s, nil
}

// fill sets the defaults that depend on other keys.
func (s *Setup) fill(lines map[string]int) {
	if s.Optics.Under == nil && s.Optics.Reflector == nil {
		d := Default()
		s.Optics.Under, s.Optics.Reflector = d.Optics.Under, d.Optics.Reflector
	}
	for i := range s.Optics.Under {
		if lines[key("optics.under", i, "tolerance_nm")] == 0 && s.Optics.Under[i].ToleranceNM == 0 {
			s.Optics.Under[i].ToleranceNM = defaultRelTolerance * s.Optics.Under[i].ThicknessNM
		}
	}
	if r := s.Optics.Reflector; r != nil && lines["optics.reflector.coverage"] == 0 {
		r.Coverage = defaultCoverage()
	}
	for _, name := range []*string{&s.Process.Material, &s.Process.Pad, &s.Process.Slurry} {
		*name = cleanName(*name)
	}
	s.Plan.fill(lines)
	for i := range s.Rule {
		s.Rule[i].Line = lines[key("rule", i, "when")]
		if s.Rule[i].Name == "" {
			s.Rule[i].Name = fmt.Sprintf("rule %d", i+1)
		}
	}
}

func syntaxProblem(name string, err error) Problem {
	p := Problem{File: name, Text: err.Error()}
	var at *toml.DecodeError
	if errors.As(err, &at) {
		p.Line, _ = at.Position()
	}
	return p
}
