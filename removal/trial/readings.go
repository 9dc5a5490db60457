package trial

import (
	"math"
	"math/rand/v2"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
)

// The uncertainty of a reading beyond its noise, about as package estimate budgets it: how
// much of the table and the layers depends on the spectrum.
const (
	tableRelSD       = 1.8e-3
	temperatureRelSD = 6 * 1e-4 // 6 K
	wavelengthRelSD  = 2e-4
	underlayerSDUM   = 1e-3
	weakDoubt        = 4 // times underlayer and noise for a weak reading
)

func scaleRelSD() float64 {
	return math.Sqrt(tableRelSD*tableRelSD + temperatureRelSD*temperatureRelSD + wavelengthRelSD*wavelengthRelSD)
}

func budget(thicknessUM, fitUM, underlayerUM float64) estimate.Budget {
	return estimate.Budget{
		FitUM:         fitUM,
		TableUM:       tableRelSD * thicknessUM,
		TemperatureUM: temperatureRelSD * thicknessUM,
		WavelengthUM:  wavelengthRelSD * thicknessUM,
		UnderlayerUM:  underlayerUM,
	}
}

// How often readings are not good: in the clear what the study of the estimator found
// (optics/estimate/STUDY.md), behind slurry a guess (common practice, no source).
const (
	flagged     = 0.005  // lost or ambiguous, half each
	wrongOrder  = 0.0005 // good, but one fringe order off
	slurryLost  = 0.55
	slurryDoubt = 0.05 // ambiguous; the others are weak
)

// instrument reads the sites of a case.
type instrument struct {
	c   *Case
	rng *rand.Rand
}

// read returns what the reading at a time says of a site. ok is false in a dropout. It
// draws the same random numbers whatever comes of it.
func (in *instrument) read(timeS float64, site int, trueUM float64) (r guide.Reading, ok bool) {
	s := &in.c.Sight
	chance, noise, other, up, weight := in.rng.Float64(), in.rng.NormFloat64(), in.rng.Float64(), in.rng.Float64() < 0.5, in.rng.Float64()
	if during(s.Dropouts, timeS) {
		return r, false
	}
	quality, slipped := estimate.Good, false
	switch {
	case during(s.Slurry, timeS):
		quality = estimate.Weak
		if chance < slurryLost {
			quality = estimate.Lost
		} else if chance < slurryLost+slurryDoubt {
			quality = estimate.Ambiguous
		}
	case during(s.Doubt, timeS), chance < flagged/2:
		quality = estimate.Ambiguous
	case chance < flagged:
		quality = estimate.Lost
	case chance < flagged+wrongOrder:
		slipped = true
	}

	doubt := 1.0
	if quality == estimate.Weak {
		doubt = weakDoubt
	}
	fitUM := doubt * s.FitSDUM
	um := trueUM*(1+s.ScaleErr) + doubt*underlayerSDUM*s.UnderErr[site] + fitUM*noise
	order := s.OrderUM
	if !up && trueUM > 2*order {
		order = -order
	}
	if slipped {
		um += order
	}
	b := budget(um, fitUM, doubt*underlayerSDUM)
	nan := math.NaN()
	e := &guide.Estimate{
		TimeS: timeS, Site: in.c.Shape.Sites[site].Name, Channel: "vis", Quality: quality,
		ThicknessUM: um, SDUM: b.SDUM(), Budget: b,
		SpreadUM: nan, EdgeNM: nan, AbsorptionUM: nan, AbsorptionSDUM: nan,
		Candidates: []estimate.Candidate{{ThicknessUM: um, Weight: 1}},
	}
	switch quality {
	case estimate.Ambiguous:
		best := 0.5 + 0.45*weight
		e.Candidates = []estimate.Candidate{{ThicknessUM: um, Weight: best}, {ThicknessUM: um + order, Weight: 1 - best}}
		if other < 0.4 { // the wrong one looks better
			e.Candidates[0].ThicknessUM, e.Candidates[1].ThicknessUM = um+order, um
		}
		e.ThicknessUM = e.Candidates[0].ThicknessUM
	case estimate.Lost:
		e.ThicknessUM, e.SDUM, e.Candidates = nan, nan, nil
		return guide.Reading{Estimate: e, FitSDUM: nan}, true
	}
	return guide.Reading{Estimate: e, FitSDUM: fitUM, SystematicUM: math.Sqrt(math.Max(0, e.SDUM*e.SDUM-fitUM*fitUM))}, true
}
