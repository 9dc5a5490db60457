package leastsq

import (
	"math"
	"slices"
)

// Reweigh sets Weight to full weights less what outliers lose: those beyond limit standard
// deviations get the weights of Huber's loss (P. J. Huber, Robust Statistics, 1981). It
// returns that standard deviation of the residuals where the fit stands, told by their
// median size (times 1.4826, as for Gaussian ones), which outliers hardly move, and never
// less than floor; and whether any weight changed. Points of full weight 0 do not count.
func (f *Fit) Reweigh(full []float64, floor, limit float64) (sigma float64, changed bool) {
	f.sizes = f.sizes[:0]
	for i, r := range f.Residual {
		if full[i] > 0 {
			f.sizes = append(f.sizes, math.Abs(r))
		}
	}
	sigma = floor
	if n := len(f.sizes); n > 0 {
		slices.Sort(f.sizes)
		sigma = math.Max(1.4826*f.sizes[n/2], floor)
	}
	for i, r := range f.Residual {
		w := full[i]
		if size := math.Abs(r); size > limit*sigma {
			w *= limit * sigma / size
		}
		changed = changed || w != f.Weight[i]
		f.Weight[i] = w
	}
	return sigma, changed
}

// mostCorrelated keeps the number of independent residuals above zero.
const mostCorrelated = 0.98

// Correlation is the lag-one autocorrelation of the weighted residuals where the fit
// stands, from 0 to 0.98: the error of a model is not noise, it leaves runs of one sign.
func (f *Fit) Correlation() float64 {
	sum, cross, last := 0.0, 0.0, 0.0
	for i, r := range f.Residual {
		u := math.Sqrt(f.Weight[i]) * r
		sum += u * u
		cross += u * last
		last = u
	}
	if sum == 0 {
		return 0
	}
	return min(max(cross/sum, 0), mostCorrelated)
}
