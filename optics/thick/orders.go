package thick

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"bluefringe/optics/estimate"
)

// How far the index of silicon and the front side are trusted, as standard
// deviations. Published near-infrared tables (Li 1980; Salzberg and Villa 1957 with
// Tatian 1984; Green 2008) differ by 0.0003 to 0.003 in n and by 0.2 to 0.36 % in the
// group index between 1250 and 1550 nm; a temperature wrong by 2 K adds 0.0004 to n.
// With these the thickness from frequency alone is uncertain by about 0.2 %, that from
// phase by 0.04 %. What the front side may hide beyond its stated layers: common
// practice, no source.
func indexSD() [3]float64 { return [3]float64{0.0015, 0.0022, 0.0010} } // Legendre terms over tableFromNM..tableToNM

const (
	tableFromNM, tableToNM = 900, 1750

	frontPhaseSD = 0.2  // rad, the same at all wavelengths
	frontDelaySD = 5    // nm of silicon
	frontBendSD  = 0.15 // rad
)

// doubt is the covariance of (thickness nm, phase rad) that the index table and the
// front side bring at a thickness, and the standard deviation of the bend. weight is
// how much each pixel says of the fringes.
func (w *workspace) doubt(nm float64, weight func(i int) float64) (cov [2][2]float64, bendSD float64) {
	f := w.film
	// Least squares on thickness and phase, as the fit does it: the bend stands
	// at right angles to both.
	sd := indexSD()
	var normal [9]float64
	var right [3][3]float64 // [index term][column]
	for i, lambda := range f.wavelengthNM {
		v := weight(i)
		columns := [3]float64{f.phase[i], 1, w.bend[i]}
		x := 2*(lambda-tableFromNM)/(tableToNM-tableFromNM) - 1
		terms := [3]float64{1, x, (3*x*x - 1) / 2}
		for a := range columns {
			for b := range columns {
				normal[3*a+b] += v * columns[a] * columns[b]
			}
			for k, t := range terms {
				right[k][a] += v * columns[a] * 4 * math.Pi * nm / lambda * t * sd[k]
			}
		}
	}
	cov = [2][2]float64{{frontDelaySD * frontDelaySD, 0}, {0, frontPhaseSD * frontPhaseSD}}
	bendVar := frontBendSD * frontBendSD
	m := mat.NewDense(3, 3, normal[:])
	for k := range right {
		var x mat.VecDense
		if err := x.SolveVec(m, mat.NewVecDense(3, right[k][:])); err != nil && x.Len() == 0 {
			continue
		}
		p := [2]float64{x.AtVec(0), x.AtVec(1)}
		for a := range p {
			for b := range p {
				cov[a][b] += p[a] * p[b]
			}
		}
		bendVar += x.AtVec(2) * x.AtVec(2)
	}
	return cov, math.Sqrt(bendVar)
}

// verdict is the thickness after the phase had its say.
type verdict struct {
	nm, sd, noiseSD float64
	orders          []estimate.Candidate
}

// weighOrders weighs the fringe phase in. The fit leaves the phase free, so it comes
// as phase + 2πk for any k. all is the covariance of thickness and phase from the fit,
// noise its part from noise, doubt that of table and front side. Each order k is as
// likely as its phase is near zero, what the set-up expects, and pulls the thickness by
// regression. The result is the mean over the orders (law of total variance): with the phase trusted
// it is that of one order, without it is the thickness from frequency.
func weighOrders(nm, phase float64, all, noise, doubt [2][2]float64) verdict {
	const (
		most     = 6
		unlikely = 2.5 // standard deviations of the phase
	)
	phase = math.Remainder(phase, 2*math.Pi)
	var s [2][2]float64
	for a := range s {
		for b := range s {
			s[a][b] = all[a][b] + doubt[a][b]
		}
	}
	pull := s[0][1] / s[1][1]
	left := s[0][0] - pull*s[0][1]
	reach := int(math.Ceil(3 * math.Sqrt(s[1][1]) / (2 * math.Pi)))
	if reach > most || math.Abs(phase) > unlikely*math.Sqrt(s[1][1]) {
		// So many orders are possible that the phase says nothing, or none fits: the
		// front side is not as stated.
		return verdict{nm, math.Sqrt(s[0][0]), math.Sqrt(noise[0][0]), []estimate.Candidate{{ThicknessUM: nm / 1000, Weight: 1}}}
	}
	var v verdict
	sum := 0.0
	for k := -reach; k <= reach; k++ {
		p := phase + 2*math.Pi*float64(k)
		weight := math.Exp(-p * p / (2 * s[1][1]))
		v.orders = append(v.orders, estimate.Candidate{ThicknessUM: (nm - pull*p) / 1000, Weight: weight})
		sum += weight
	}
	for k := range v.orders {
		v.orders[k].Weight /= sum
		v.nm += v.orders[k].Weight * v.orders[k].ThicknessUM * 1000
	}
	between := 0.0 // variance of the thickness between the orders
	for _, o := range v.orders {
		between += o.Weight * (o.ThicknessUM*1000 - v.nm) * (o.ThicknessUM*1000 - v.nm)
	}
	v.sd = math.Sqrt(left + between)
	// By how much the mean over the orders follows a change of the phase: less, the
	// more orders share it.
	pull *= 1 - between/(pull*pull*s[1][1])
	v.noiseSD = min(math.Sqrt(noise[0][0]-2*pull*noise[0][1]+pull*pull*noise[1][1]), v.sd)
	return v
}
