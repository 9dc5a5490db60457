package report

import "time"

// Report is all that a report says.
type Report struct {
	Job     string
	Started time.Time // zero: not told
	Record  Record
	// Problems say what is wrong with the record or the report, the worst first.
	Problems []string

	Setup     []Fact // in words
	SetupName string
	SetupTOML string // as written; empty: none
	TargetUM  float64
	FloorUM   float64
	DieMM     [2]float64 // width and height around x = y = 0; 0: not known

	End       End
	Qualities []Fact // of the readings: how many of each

	Advice []Told
	More   int // changes of advice beyond those

	Track    []Track // of the thinnest site, in order of time
	Sites    []Site
	Places   []Place // of sites, for the map
	Fit      Fit
	Budget   []Part
	BudgetOf string  // the reading that it belongs to
	Preston  Preston // as it was believed before the run
	Learnt   Preston // from what the whole run removed

	Notes      []Note // of operator, machine and program
	NotesMore  int
	Gaps       []Gap
	GapsMore   int
	Faults     []string
	FaultsMore int
	Counts     []Fact // health of the line

	Versions []Fact
	Modules  []string // that the program is built from, with their versions
}

// Record names the evidence.
type Record struct {
	Name   string
	Bytes  int64
	SHA256 string // of these bytes, hexadecimal
	Run    string // checksum of the run, by which the rate book knows it
}

// Fact is a name with its value.
type Fact struct{ Name, Value string }

// End is where the run ended.
type End struct {
	TimeS       float64
	Site        string // the thinnest
	ThicknessUM float64
	SDUM        float64
	RateUMMin   float64
	RateSDUMMin float64
	Advice      string
	LowestUM    float64 // of the thinnest site in all the run
	LowestTimeS float64
}

// Told is one advice from its first moment to its last.
type Told struct {
	FromS, ToS   float64
	Advice, Rule string
	Reason       string // at its first moment
	LastReason   string // and at its last
	ThinnestUM   float64
	Site         string
}

// Track is where the thinnest site was, and how fast it went.
type Track struct {
	TimeS                  float64
	ThicknessUM, SDUM      float64
	RateUMMin, RateSDUMMin float64
	PrestonPerPa           float64 // rate over pressure and speed; NaN off the die
	PrestonSDPerPa         float64
	Contact                bool
	Advice                 string
}

// Site is the readings of one place.
type Site struct {
	Name     string
	Good     int
	All      int
	Readings []Reading // good and weak ones
	EachOf   int       // one in so many is in Readings
}

// Reading is one spectrum.
type Reading struct {
	TimeS             float64
	ThicknessUM, SDUM float64
	EdgeNM            float64 // contrast edge as measured
	EdgeExpectedNM    float64 // as it should be for the fitted die
	Residual          float64 // rms of measured less fitted reflectance
}

// Place is the last good reading of a site.
type Place struct {
	Site              string
	XMM, YMM          float64 // NaN: the record does not place it
	TimeS             float64
	ThicknessUM, SDUM float64
	Thinnest          bool
}

// Fit is the last good spectrum of the thinnest site with its fit; empty for none.
type Fit struct {
	Title        string
	WavelengthNM []float64
	Measured     []float64
	Model        []float64
}

// Part is one source of the uncertainty of a reading.
type Part struct {
	Source string
	UM     float64 // standard uncertainty
}

// Preston is a Preston coefficient in 1/Pa; zero for none.
type Preston struct{ PerPa, RelSD float64 }

// Note is a remark in the record.
type Note struct {
	TimeS float64
	Text  string
}

// Gap is a time without spectra.
type Gap struct {
	FromS, ToS float64
	Contact    bool // the pad was on the die
}
