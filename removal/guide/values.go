package guide

import (
	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
)

// Spectrum is one reflectance spectrum, in the order in which it was taken.
type Spectrum struct {
	TimeS       float64
	Channel     string    // names the wavelengths in Config.Channels
	Site        string    // place on the die
	Reflectance []float64 // fraction, one per pixel; NaN: this pixel says nothing

	// How many pixels say nothing because the detector was saturated, and because they
	// see too little of the lamp: for the reason of a reading that suffers from it.
	Saturated, Dim int
}

// ProcessChange tells what changed at the machine; nil keeps the last value.
type ProcessChange struct {
	TimeS   float64
	Contact *bool // pad touches die
	ForceN  *float64
	PadMM   *float64
	SpeedMS *float64
}

// Step is what the engine says about one moment: one per spectrum, and at
// least one every two seconds of contact without spectra.
type Step struct {
	TimeS    float64
	Estimate *Estimate // nil when no spectrum arrived at this moment
	Reading  Reading   // what the track was offered; zero without a spectrum
	Forecast Forecast
	Advice   Advice

	// Disagreement is the other channel that contradicts the Estimate; nil: none does.
	Disagreement *Disagreement
}

// Reading is an estimate with what the track needs besides. It is all that the
// engine takes from a spectrum: readings that were kept can be taken again, under
// other rules, at the cost of the track alone.
type Reading struct {
	Estimate     *Estimate
	FitSDUM      float64 // uncertainty that is new in every spectrum, µm
	SystematicUM float64 // uncertainty that the spectra of a site share, µm
}

// Estimate is what one spectrum says by itself.
// A number that does not exist is NaN.
type Estimate struct {
	TimeS   float64
	Site    string
	Channel string

	Quality     estimate.Quality
	ThicknessUM float64
	SDUM        float64 // standard uncertainty of ThicknessUM
	SpreadUM    float64 // standard deviation of thickness inside the spot
	EdgeNM      float64 // contrast edge as measured

	// AbsorptionUM is the thickness by how visibility falls toward the blue alone, which
	// is coarse but has no fringe order to slip; AbsorptionSDUM is its standard
	// uncertainty. NaN where it cannot be told, and in infrared channels.
	AbsorptionUM, AbsorptionSDUM float64

	// Budget is what SDUM is made of, and Candidates the explanations that were compared,
	// best first: two that count make the quality ambiguous.
	Budget     estimate.Budget
	Candidates []estimate.Candidate

	Reason  string  // why the quality is not good; empty when it is
	Picture Picture // for the screen and the report
}

// Picture is the evidence behind an estimate. Slices are shared and must not be
// written to; the three of each group have one length.
type Picture struct {
	WavelengthNM []float64
	Reflectance  []float64 // measured; NaN where a pixel said nothing
	Model        []float64 // fitted; nil when the quality is lost

	VisibilityNM       []float64 // wavelengths at which visibility was looked at
	Visibility         []float64 // Michelson visibility as measured; NaN where it cannot be told
	VisibilityExpected []float64 // what the fitted die should show
	EdgeExpectedNM     float64   // contrast edge of VisibilityExpected, NaN when there is none
	EdgeThreshold      float64   // visibility at which the edge is read, 0.05 unless set otherwise
}

// Forecast is where one site of the die is and where it is going.
// A number that does not exist is NaN.
type Forecast struct {
	TimeS       float64
	Site        string
	ThicknessUM float64
	SDUM        float64
	RateUMMin   float64 // removal rate while the pad touches the die, positive
	RateSDUMMin float64
	ToTargetS   removal.Interval // polishing time left, from TimeS
	ToFloorS    removal.Interval
	SinceGoodS  float64 // since the last trusted estimate of this site
	Contact     bool
	Undecided   bool // several fringe orders still explain the site: ThicknessUM and SDUM span them
}

// Advice is what the operator is told.
type Advice struct {
	TimeS      float64
	Level      advice.Level
	Rule       string  // the rule that gave it
	Reason     string  // one sentence with the numbers
	ThinnestUM float64 // of all sites; NaN before the first track
	Site       string  // the thinnest

	// NextStretchS is how long the pad may polish at most before it must be lifted to look,
	// for the risks that the set-up accepts. NaN while the pad is on the die, and where
	// nothing is known.
	NextStretchS float64
}
