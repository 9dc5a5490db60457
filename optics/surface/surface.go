package surface

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Sites needed for a plane, and for a bow on top of it: one more than the
// parameters, and another that can disagree.
const (
	MinPlane = 3
	MinBow   = 6
)

// Errors of Fit.
var (
	ErrTooFew = errors.New("too few sites for a plane")
	ErrOnLine = errors.New("the sites lie on one line")
	ErrValue  = errors.New("not a site thickness")
)

// singular is the ratio of singular values below which the places of the sites do
// not tell two parameters apart.
const singular = 1e-9

// largest is the largest position or thickness that is taken for one.
const largest = 1e9

// Point is the thickness at one site.
type Point struct {
	XMM, YMM    float64
	ThicknessUM float64
	SDUM        float64 // standard uncertainty, independent of the other points
}

// Surface is
//
//	t(x, y) = MiddleUM + TiltX·x + TiltY·y + Bow·(x² + y²)
//
// fitted to points by weighted least squares. Where the points differ from it by more
// than their uncertainties say, all uncertainties are wider by the square root of
// chi-square over degrees of freedom (R. T. Birge, Phys. Rev. 40 (1932) 207, from
// memory).
type Surface struct {
	MiddleUM, MiddleSDUM       float64
	TiltXUMPerMM, TiltYUMPerMM float64 // slope at the middle
	BowUMPerMM2, BowSDUMPerMM2 float64 // NaN when the sites do not determine a bow
	ChiSquare                  float64
	DegreesOfFreedom           int
	ResidualUM                 float64 // root of squared residuals over degrees of freedom; NaN without any

	tilt       [2][2]float64 // covariance of the two slopes
	x0, y0, mm float64       // middle and size of the points: the fit works in (x-x0)/mm
	params     *mat.VecDense
	covariance *mat.SymDense
}

// Fit returns the surface through points: with a bow when there are MinBow or more
// and their places determine it, else a plane.
func Fit(points []Point) (Surface, error) {
	for i, p := range points {
		size := math.Abs(p.XMM) + math.Abs(p.YMM) + math.Abs(p.ThicknessUM) + p.SDUM
		if !(size <= largest && p.SDUM > 0) {
			return Surface{}, fmt.Errorf("%w: point %d is %g ± %g µm at (%g, %g) mm", ErrValue, i+1, p.ThicknessUM, p.SDUM, p.XMM, p.YMM)
		}
	}
	if len(points) < MinPlane {
		return Surface{}, fmt.Errorf("%w: found %d, at least %d are needed", ErrTooFew, len(points), MinPlane)
	}
	var s Surface
	s.place(points)
	if len(points) >= MinBow && s.solve(points, 4) {
		return s, nil
	}
	if s.solve(points, 3) {
		return s, nil
	}
	return Surface{}, ErrOnLine
}

// place finds the middle and the size of the points, which makes the columns of the
// design matrix alike.
func (s *Surface) place(points []Point) {
	for _, p := range points {
		s.x0 += p.XMM / float64(len(points))
		s.y0 += p.YMM / float64(len(points))
	}
	for _, p := range points {
		s.mm = math.Max(s.mm, math.Hypot(p.XMM-s.x0, p.YMM-s.y0))
	}
	if s.mm == 0 {
		s.mm = 1 // all at one place
	}
}

// row is the design matrix at a place.
func (s *Surface) row(x, y float64, n int) []float64 {
	u, v := (x-s.x0)/s.mm, (y-s.y0)/s.mm
	return []float64{1, u, v, u*u + v*v}[:n]
}

// solve fits n parameters; false when the places do not determine them.
func (s *Surface) solve(points []Point, n int) bool {
	design := mat.NewDense(len(points), n, nil)
	data := mat.NewVecDense(len(points), nil)
	for i, p := range points {
		for j, v := range s.row(p.XMM, p.YMM, n) {
			design.Set(i, j, v/p.SDUM)
		}
		data.SetVec(i, p.ThicknessUM/p.SDUM)
	}
	var svd mat.SVD
	if !svd.Factorize(design, mat.SVDThin) {
		return false
	}
	values := svd.Values(nil)
	if values[n-1] < singular*values[0] {
		return false
	}
	s.params = mat.NewVecDense(n, nil)
	svd.SolveVecTo(s.params, data, n)

	// (AᵀA)⁻¹ = V·diag(1/σ²)·Vᵀ for A = U·diag(σ)·Vᵀ.
	var v mat.Dense
	svd.VTo(&v)
	s.covariance = mat.NewSymDense(n, nil)
	for k, value := range values {
		s.covariance.SymRankOne(s.covariance, 1/(value*value), v.ColView(k))
	}

	s.DegreesOfFreedom = len(points) - n
	s.ChiSquare = 0
	squares := 0.0
	for _, p := range points {
		r := p.ThicknessUM - mat.Dot(s.params, mat.NewVecDense(n, s.row(p.XMM, p.YMM, n)))
		squares += r * r
		s.ChiSquare += r * r / (p.SDUM * p.SDUM)
	}
	s.ResidualUM = math.NaN()
	if s.DegreesOfFreedom > 0 {
		s.ResidualUM = math.Sqrt(squares / float64(s.DegreesOfFreedom))
		s.covariance.ScaleSym(math.Max(1, s.ChiSquare/float64(s.DegreesOfFreedom)), s.covariance)
	}
	s.toMiddle(n)
	return true
}

// toMiddle gives the parameters about x = y = 0, and their uncertainties: they are
// linear in the fitted ones, so C' = J·C·Jᵀ (JCGM 100:2008, 5.2.2).
func (s *Surface) toMiddle(n int) {
	jacobian := mat.NewDense(n, n, nil)
	jacobian.SetRow(0, s.row(0, 0, n))
	jacobian.Set(1, 1, 1/s.mm)
	jacobian.Set(2, 2, 1/s.mm)
	if n == 4 {
		jacobian.Set(1, 3, -2*s.x0/(s.mm*s.mm))
		jacobian.Set(2, 3, -2*s.y0/(s.mm*s.mm))
		jacobian.Set(3, 3, 1/(s.mm*s.mm))
	}
	var params mat.VecDense
	params.MulVec(jacobian, s.params)
	var c mat.Dense
	c.Product(jacobian, s.covariance, jacobian.T())

	s.MiddleUM, s.MiddleSDUM = params.AtVec(0), math.Sqrt(c.At(0, 0))
	s.TiltXUMPerMM, s.TiltYUMPerMM = params.AtVec(1), params.AtVec(2)
	s.tilt = [2][2]float64{{c.At(1, 1), c.At(1, 2)}, {c.At(2, 1), c.At(2, 2)}}
	s.BowUMPerMM2, s.BowSDUMPerMM2 = math.NaN(), math.NaN()
	if n == 4 {
		s.BowUMPerMM2, s.BowSDUMPerMM2 = params.AtVec(3), math.Sqrt(c.At(3, 3))
	}
}

// HasBow tells whether the surface has a bow; otherwise it is a plane.
func (s *Surface) HasBow() bool { return !math.IsNaN(s.BowUMPerMM2) }

// At returns the thickness of the surface at a place and its standard uncertainty.
func (s *Surface) At(xMM, yMM float64) (um, sdUM float64) {
	n := s.params.Len()
	row := mat.NewVecDense(n, s.row(xMM, yMM, n))
	return mat.Dot(s.params, row), math.Sqrt(mat.Inner(row, s.covariance, row))
}

// TiltSD returns the standard uncertainties of TiltXUMPerMM and TiltYUMPerMM.
func (s *Surface) TiltSD() (xUMPerMM, yUMPerMM float64) {
	return math.Sqrt(s.tilt[0][0]), math.Sqrt(s.tilt[1][1])
}

// Tilt is the slope at the middle as size and direction.
type Tilt struct {
	UMPerMM, SDUMPerMM float64
	TowardsDeg, SDDeg  float64 // where the silicon gets thicker: 0 is +x, 90 is +y; -180 to 180
}

// Tilt returns the slope at the middle as size and direction (JCGM 100:2008, 5.2.2).
// A direction without a slope is NaN.
func (s *Surface) Tilt() Tilt {
	gx, gy := s.TiltXUMPerMM, s.TiltYUMPerMM
	along := func(x, y float64) float64 { // standard deviation of the slope along a unit vector
		return math.Sqrt(x*x*s.tilt[0][0] + 2*x*y*s.tilt[0][1] + y*y*s.tilt[1][1])
	}
	g := math.Hypot(gx, gy)
	if g == 0 {
		return Tilt{SDUMPerMM: math.Max(along(1, 0), along(0, 1)), TowardsDeg: math.NaN(), SDDeg: math.NaN()}
	}
	const deg = 180 / math.Pi
	return Tilt{g, along(gx/g, gy/g), math.Atan2(gy, gx) * deg, along(-gy/g, gx/g) / g * deg}
}
