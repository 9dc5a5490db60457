package surface

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Sites needed for a plane, and for a bow on top of it: one more parameter, and one site
// that can disagree.
const (
	MinPlane = 3
	MinBow   = 5
)

// Errors of Fit.
var (
	ErrTooFew = errors.New("too few sites")
	ErrOnLine = errors.New("the sites lie on one line")
	ErrValue  = errors.New("not a site thickness")
)

// singular is the ratio of singular values below which the places of the sites do
// not tell two parameters apart.
const singular = 1e-9

// largest is the largest position or thickness that is taken for one.
const largest = 1e9

// Surface is
//
//	t(x, y) = MiddleUM + TiltX·x + TiltY·y + Bow·(x² + y²)
//
// fitted to points by weighted least squares, weighted by what they do not share. Where
// the points differ from it by more than that, the uncertainties that they do not share
// are wider by the square root of chi-square over degrees of freedom (R. T. Birge, Phys.
// Rev. 40 (1932) 207, from memory).
type Surface struct {
	MiddleUM, MiddleSDUM       float64
	TiltXUMPerMM, TiltYUMPerMM float64 // slope at the middle
	BowUMPerMM2, BowSDUMPerMM2 float64 // NaN when the sites do not determine a bow
	ChiSquare                  float64
	DegreesOfFreedom           int
	ResidualUM                 float64 // root of squared residuals over degrees of freedom; NaN without any

	x0, y0, mm float64  // middle and size of the points: the fit works in u = (x-x0)/mm
	params     vector   // of 1, u, v, u² + v²
	own, apart matrix   // covariance that comes of Point.SDUM, and of OpenUM as independent
	common     vector   // error that comes of Point.CommonUM
	asOne      vector   // and of OpenUM as one error
	gains      []vector // by point: how params move with its thickness
}

// maxParams is how many parameters a surface has; a plane leaves the last 0.
const maxParams = 4

type (
	vector [maxParams]float64
	matrix [maxParams][maxParams]float64
)

func (a vector) dot(b vector) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

// inner returns aᵀ·m·a.
func (m *matrix) inner(a vector) float64 {
	sum := 0.0
	for i := range m {
		for j := range m {
			sum += a[i] * m[i][j] * a[j]
		}
	}
	return sum
}

// Fit returns the surface through points: with a bow when there are MinBow or more
// and their places determine it, else a plane.
func Fit(points []Point) (Surface, error) {
	for i, p := range points {
		size := math.Abs(p.XMM) + math.Abs(p.YMM) + math.Abs(p.ThicknessUM) + p.SDUM + p.CommonUM + p.OpenUM
		if !(size <= largest && p.SDUM >= 0 && p.CommonUM >= 0 && p.OpenUM >= 0 && p.SDUM+p.OpenUM > 0) {
			return Surface{}, fmt.Errorf("%w: point %d is %g ± %g µm at (%g, %g) mm", ErrValue, i+1, p.ThicknessUM, p.TotalSDUM(), p.XMM, p.YMM)
		}
	}
	if len(points) < MinPlane {
		return Surface{}, fmt.Errorf("%w: found %d, a plane needs %d", ErrTooFew, len(points), MinPlane)
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

// row is the design matrix at a place: the surface there is row·params.
func (s *Surface) row(x, y float64) vector {
	u, v := (x-s.x0)/s.mm, (y-s.y0)/s.mm
	return vector{1, u, v, u*u + v*v}
}

// slope is the same for the slope at x = y = 0 along (x, y), and bow for the bow.
func (s *Surface) slope(x, y float64) vector {
	return vector{0, x / s.mm, y / s.mm, -2 * (x*s.x0 + y*s.y0) / (s.mm * s.mm)}
}

func (s *Surface) bow() vector { return vector{3: 1 / (s.mm * s.mm)} }

// sd is the standard uncertainty of row·params.
func (s *Surface) sd(row vector) float64 {
	common, asOne := row.dot(s.common), row.dot(s.asOne)
	return math.Sqrt(s.own.inner(row) + common*common + math.Max(s.apart.inner(row), asOne*asOne))
}

// solve fits n parameters; false when the places do not determine them.
func (s *Surface) solve(points []Point, n int) bool {
	design := mat.NewDense(len(points), n, nil)
	for i, p := range points {
		row, sd := s.row(p.XMM, p.YMM), math.Hypot(p.SDUM, p.OpenUM)
		for j, v := range row[:n] {
			design.Set(i, j, v/sd)
		}
	}
	var svd mat.SVD
	if !svd.Factorize(design, mat.SVDThin) {
		return false
	}
	values := svd.Values(nil)
	if values[n-1] < singular*values[0] {
		return false
	}
	var left, right mat.Dense
	svd.UTo(&left)
	svd.VTo(&right)
	s.params, s.common, s.asOne, s.own, s.apart = vector{}, vector{}, vector{}, matrix{}, matrix{}
	s.gains = make([]vector, len(points))
	for i, p := range points {
		// Of A = U·diag(σ)·Vᵀ, what one point moves: a column of V·diag(1/σ)·Uᵀ.
		var gain vector
		for j := range n {
			for k, value := range values {
				gain[j] += right.At(j, k) / value * left.At(i, k)
			}
			gain[j] /= math.Hypot(p.SDUM, p.OpenUM)
		}
		s.gains[i] = gain
		for j, g := range gain {
			s.params[j] += g * p.ThicknessUM
			s.common[j] += g * p.CommonUM
			s.asOne[j] += g * p.OpenUM
			for k, h := range gain {
				s.own[j][k] += g * h * p.SDUM * p.SDUM
				s.apart[j][k] += g * h * p.OpenUM * p.OpenUM
			}
		}
	}
	s.judge(points, n)
	s.MiddleUM, s.MiddleSDUM = s.At(0, 0)
	s.TiltXUMPerMM, s.TiltYUMPerMM = s.slope(1, 0).dot(s.params), s.slope(0, 1).dot(s.params)
	s.BowUMPerMM2, s.BowSDUMPerMM2 = math.NaN(), math.NaN()
	if n == maxParams {
		s.BowUMPerMM2, s.BowSDUMPerMM2 = s.bow().dot(s.params), s.sd(s.bow())
	}
	return true
}

// judge compares the surface with the points, and widens the uncertainties where they
// differ by more.
func (s *Surface) judge(points []Point, n int) {
	s.DegreesOfFreedom = len(points) - n
	s.ChiSquare, s.ResidualUM = 0, math.NaN()
	squares := 0.0
	for _, p := range points {
		r := p.ThicknessUM - s.row(p.XMM, p.YMM).dot(s.params)
		squares += r * r
		s.ChiSquare += r * r / (p.SDUM*p.SDUM + p.OpenUM*p.OpenUM)
	}
	if s.DegreesOfFreedom == 0 {
		return
	}
	s.ResidualUM = math.Sqrt(squares / float64(s.DegreesOfFreedom))
	widen := math.Max(1, s.ChiSquare/float64(s.DegreesOfFreedom))
	for j := range s.own {
		for k := range s.own {
			s.own[j][k] *= widen
			s.apart[j][k] *= widen
		}
	}
}

// HasBow tells whether the surface has a bow; otherwise it is a plane.
func (s *Surface) HasBow() bool { return !math.IsNaN(s.BowUMPerMM2) }

// At returns the thickness of the surface at a place and its standard uncertainty.
func (s *Surface) At(xMM, yMM float64) (um, sdUM float64) {
	row := s.row(xMM, yMM)
	return row.dot(s.params), s.sd(row)
}

// Weights returns how much of each point the surface takes at a place, in their order:
// the thickness there is the sum of theirs in these shares. They sum to one.
func (s *Surface) Weights(xMM, yMM float64) []float64 {
	row := s.row(xMM, yMM)
	weights := make([]float64, len(s.gains))
	for i, gain := range s.gains {
		weights[i] = row.dot(gain)
	}
	return weights
}

// Outline is a rectangle on the die, in mm; Min must not be above Max.
type Outline struct{ MinXMM, MaxXMM, MinYMM, MaxYMM float64 }

// OutlineOf returns the smallest outline around points.
func OutlineOf(points []Point) Outline {
	o := Outline{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
	for _, p := range points {
		o.MinXMM, o.MaxXMM = math.Min(o.MinXMM, p.XMM), math.Max(o.MaxXMM, p.XMM)
		o.MinYMM, o.MaxYMM = math.Min(o.MinYMM, p.YMM), math.Max(o.MaxYMM, p.YMM)
	}
	return o
}

// Lowest is the thinnest place of a surface.
type Lowest struct {
	XMM, YMM          float64
	ThicknessUM, SDUM float64
}

// Lowest returns the thinnest place of the surface inside an outline. The uncertainty is
// that of the surface there (JCGM 100:2008, 5.1.2): at the bottom of a bow the slope is 0,
// so where exactly it lies adds nothing. Where noise decides which place it is, the
// thickness is rather too small than too large.
func (s *Surface) Lowest(o Outline) Lowest {
	bow := 0.0
	if s.HasBow() {
		bow = s.BowUMPerMM2
	}
	// The surface is a sum of a function of x and one of y.
	x := lowest(s.TiltXUMPerMM, bow, o.MinXMM, o.MaxXMM)
	y := lowest(s.TiltYUMPerMM, bow, o.MinYMM, o.MaxYMM)
	um, sdUM := s.At(x, y)
	return Lowest{x, y, um, sdUM}
}

// lowest returns where tilt·x + bow·x² is smallest between two ends.
func lowest(tilt, bow, from, to float64) float64 {
	if bow > 0 {
		return math.Min(math.Max(-tilt/(2*bow), from), to)
	}
	// (f(to) - f(from))/(to - from)
	if tilt+bow*(from+to) < 0 {
		return to
	}
	return from
}

// TiltSD returns the standard uncertainties of TiltXUMPerMM and TiltYUMPerMM.
func (s *Surface) TiltSD() (xUMPerMM, yUMPerMM float64) {
	return s.sd(s.slope(1, 0)), s.sd(s.slope(0, 1))
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
	g := math.Hypot(gx, gy)
	if g == 0 {
		sdX, sdY := s.TiltSD()
		return Tilt{SDUMPerMM: math.Max(sdX, sdY), TowardsDeg: math.NaN(), SDDeg: math.NaN()}
	}
	const deg = 180 / math.Pi
	along, across := s.sd(s.slope(gx/g, gy/g)), s.sd(s.slope(-gy/g, gx/g))
	return Tilt{g, along, math.Atan2(gy, gx) * deg, across / g * deg}
}
