package fringe

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Our own choices where no source is named.
const (
	witnessSDs    = 4.0  // a point counts where visibility exceeds this many of its SDs
	witnessMost   = 0.9  // and is below this: near 1 it is clipped
	witnessLogSD  = 0.01 // of ln visibility: what the local fit and the model get wrong
	witnessPoints = 8
	cauchy        = 2.385 // SDs; 95 % efficiency
	uselessRel    = 0.35  // of the thickness: a larger uncertainty tells nothing

	// What lamp and coverage, and the spread, may change in ln visibility beyond what was
	// fitted, as standard uncertainties: half of it, and 0.3 µm² of 1/λ² (a spread of
	// 15 nm in silicon, (4πn·spread)²/2).
	constantSD    = 0.5
	gaussianSDUM2 = 0.3
)

// alphaKnots says how far published absorption of silicon is to be trusted: relative
// standard uncertainties at some wavelengths, linear between. Green 2008 against Schinke
// 2015 differ by 10 % at 450 and 500 nm, by 0 at 550, 7 % at 600, 0 to 1 % at 650 and 700
// and 3 to 4 % beyond; of a difference of two tables each has 1/√2, rounded up.
func alphaKnots() (nm, relSD []float64) {
	return []float64{450, 525, 600, 700, 850}, []float64{0.07, 0.07, 0.05, 0.03, 0.03}
}

// Absorption returns by how much the silicon is thicker than the fitted die of
// thicknessUM, from absorption alone, and the standard uncertainty of that. expected is
// what Measure finds in the spectrum of the fitted die, or measured.Expected of it;
// alphaPerUM is 4πk/λ of silicon at the wavelengths of both curves. NaN where absorption
// cannot tell.
//
// Light that goes down and up through d of silicon keeps exp(-α·2d) of its power, so
// exp(-αd) of its amplitude, and it is its amplitude that beats with the light from the
// surface: the first harmonic of the fringes goes as exp(-4πkd/λ) = exp(-αd)
// (die.Model.Fundamental, while higher round trips are small). Silicon thicker than fitted
// by Δ therefore shows V/V_expected = exp(-αΔ), times a constant (lamp, coverage) and a
// Gaussian in 1/λ (spread): ln(V/V_expected) is fitted by weighted least squares on
// [1, -α, 1/λ²], with Cauchy's weights, which forget bad points (P. W. Holland, R. E.
// Welsch, Commun. Stat. A6 (1977) 813, from memory). Where the fit does not follow the
// phase of the fringes, their visibility cannot be measured, and nothing can be told.
//
// An error ε(λ) of the published α acts on the whole thickness, as -αε·(d+Δ): it is fitted
// as well, as a broken line under the prior of alphaKnots, and so is in the uncertainty.
// Points whose windows overlap are not counted as independent.
func Absorption(measured, expected Curve, alphaPerUM []float64, thicknessUM float64) (shiftUM, sdUM float64) {
	var p points
	noises := noiseAlong(measured.SD, expected.SD)
	for i, v := range measured.Visibility {
		e, noise := expected.Visibility[i], noises[i]
		// The noise of two quadratures adds its power to that of the amplitude.
		v = math.Sqrt(math.Max(v*v-noise*noise, 0))
		if v > witnessSDs*noise && e > witnessSDs*noise && v < witnessMost && e < witnessMost && alphaPerUM[i] >= 0 {
			p.add(measured.WavelengthNM[i], math.Log(v/e), math.Hypot(noise/v, witnessLogSD), alphaPerUM[i], measured.redundancy(i))
		}
	}
	nan := math.NaN()
	if len(p.y) < witnessPoints {
		return nan, nan
	}
	shiftUM, sdUM, ok := p.fit(thicknessUM)
	if !ok || !(sdUM < uselessRel*thicknessUM) {
		return nan, nan
	}
	return shiftUM, sdUM
}

// noiseAlong is noiseOf along the curves, each point the median of those around it: a
// difference of two squares is small by chance here and there, and such points would
// count for more than all others.
func noiseAlong(sd, misfit []float64) []float64 {
	const around = 3
	raw := make([]float64, len(sd))
	for i := range raw {
		raw[i] = noiseOf(sd[i], misfit[i])
	}
	out := make([]float64, len(raw))
	var near []float64
	for i := range out {
		near = near[:0]
		for _, v := range raw[max(0, i-around):min(len(raw), i+around+1)] {
			if !math.IsNaN(v) {
				near = append(near, v)
			}
		}
		slices.Sort(near)
		out[i] = math.NaN()
		if len(near) > 0 {
			out[i] = near[len(near)/2]
		}
	}
	return out
}

// noiseOf is what is left of the residual of the local fit without its own misfit, which
// the expected spectrum shows as well; at least a tenth.
func noiseOf(sd, misfit float64) float64 {
	return math.Max(math.Sqrt(math.Max(sd*sd-misfit*misfit, 0)), sd/10)
}

// redundancy is how many points of the curve share the window of point i.
func (c Curve) redundancy(i int) float64 {
	if len(c.windowNM) == 0 {
		return 1
	}
	return math.Max(1, c.windowNM[i]/stepNM)
}

// points are what Absorption is fitted to.
type points struct {
	y, sd, alphaPerUM []float64
	inverse           []float64   // 1/λ², 1/µm²
	hat               [][]float64 // of each knot
	redundancy        []float64
}

func (p *points) add(wavelengthNM, y, sd, alphaPerUM, redundancy float64) {
	p.y, p.sd, p.alphaPerUM = append(p.y, y), append(p.sd, sd), append(p.alphaPerUM, alphaPerUM)
	p.inverse = append(p.inverse, 1e6/(wavelengthNM*wavelengthNM))
	p.hat = append(p.hat, hats(wavelengthNM))
	p.redundancy = append(p.redundancy, redundancy)
}

// hats returns the parts of the knots of alphaKnots in a broken line at a wavelength.
func hats(wavelengthNM float64) []float64 {
	nm, _ := alphaKnots()
	h := make([]float64, len(nm))
	k, _ := slices.BinarySearch(nm, wavelengthNM)
	switch k {
	case 0:
		h[0] = 1
	case len(nm):
		h[k-1] = 1
	default:
		h[k] = (wavelengthNM - nm[k-1]) / (nm[k] - nm[k-1])
		h[k-1] = 1 - h[k]
	}
	return h
}

// fit returns the shift and its standard uncertainty.
func (p *points) fit(thicknessUM float64) (shiftUM, sdUM float64, ok bool) {
	const rounds = 10
	_, relSD := alphaKnots()
	size := 3 + len(relSD)
	var (
		x        = mat.NewVecDense(size, nil)
		chol     mat.Cholesky
		scale    = 1.0
		residual = make([]float64, len(p.y)) // in SDs, without sign
		trust    = slices.Repeat([]float64{1}, len(p.y))
		row      = mat.NewVecDense(size, nil)
		normal   = mat.NewSymDense(size, nil)
		right    = mat.NewVecDense(size, nil)
		sorted   = make([]float64, len(p.y))
	)
	fill := func(i int) {
		absorbing := math.Max(thicknessUM+x.AtVec(1), thicknessUM/4)
		row.SetVec(0, 1)
		row.SetVec(1, -p.alphaPerUM[i])
		row.SetVec(2, p.inverse[i])
		for k, h := range p.hat[i] {
			row.SetVec(3+k, -p.alphaPerUM[i]*absorbing*h)
		}
	}
	for range rounds {
		normal.Zero()
		right.Zero()
		normal.SetSym(0, 0, 1/(constantSD*constantSD))
		normal.SetSym(2, 2, 1/(gaussianSDUM2*gaussianSDUM2))
		for k, sd := range relSD {
			normal.SetSym(3+k, 3+k, 1/(sd*sd))
		}
		for i, y := range p.y {
			fill(i)
			weight := trust[i] / (p.redundancy[i] * p.sd[i] * p.sd[i] * scale * scale)
			normal.SymRankOne(normal, weight, row)
			right.AddScaledVec(right, weight*y, row)
		}
		if !chol.Factorize(normal) || chol.SolveVecTo(x, right) != nil {
			return 0, 0, false
		}
		for i, y := range p.y {
			fill(i)
			residual[i] = math.Abs(y-mat.Dot(row, x)) / p.sd[i]
		}
		copy(sorted, residual)
		slices.Sort(sorted)
		scale = math.Max(1, sorted[len(sorted)/2]/0.6745) // median absolute deviation of a Gaussian
		for i, r := range residual {
			trust[i] = 1 / (1 + math.Pow(r/(cauchy*scale), 2))
		}
	}
	var covariance mat.SymDense
	if chol.InverseTo(&covariance) != nil {
		return 0, 0, false
	}
	return x.AtVec(1), math.Sqrt(covariance.At(1, 1)), true
}
