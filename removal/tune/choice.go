package tune

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
)

// FewRuns is where resampled intervals become too narrow to go by (common practice, no
// source).
const FewRuns = 8

// Interval holds a quantity in 95 of 100 resamplings, from the 2.5 to the 97.5 % point.
type Interval struct{ Low, High float64 }

// Includes tells whether a value lies in the interval.
func (i Interval) Includes(v float64) bool { return i.Low <= v && v <= i.High }

// Choice is what the costs say about the settings of a sweep.
type Choice struct {
	Order []int // settings, the cheapest first

	Cost   []Interval // of the mean cost, by place in Order; at most Contenders of them
	ToBest []Interval // of the mean cost less that of the best, the same

	Own        float64  // mean cost of the set-up's own setting
	OwnCost    Interval // of that
	OwnToBest  Interval // of that less the cost of the best
	Values     []Interval
	ChosenPart float64 // part of the resamplings in which the best was the best
	Equal      int     // contenders, without the best itself, that cannot be told from it
}

// Contenders is how many of the cheapest settings take part in resampling: the others
// have no chance.
const Contenders = 200

// Best is the place of the cheapest setting.
func (c *Choice) Best() int { return c.Order[0] }

// Choose orders settings by their mean costs and resamples the runs. costs are by
// setting, then by run; own are those of the set-up's own setting, whose values, where
// they are known, are ownSetting. Runs that have no cost are left out. Of equal settings
// the nearest to the set-up's own goes first. nil: no run has a cost.
func Choose(axes []Axis, settings []Setting, costs [][]float64, ownSetting Setting, own []float64, resamples int, seed uint64) *Choice {
	scored := make([]int, 0, len(own))
	for j, c := range own {
		if !math.IsNaN(c) {
			scored = append(scored, j)
		}
	}
	if len(scored) == 0 || len(settings) == 0 {
		return nil
	}
	pick := func(row []float64) []float64 {
		out := make([]float64, len(scored))
		for k, j := range scored {
			out[k] = row[j]
		}
		return out
	}
	c := &Choice{Order: make([]int, len(settings)), Own: stat.Mean(pick(own), nil)}
	means, away := make([]float64, len(settings)), make([]float64, len(settings))
	for i := range settings {
		c.Order[i], means[i] = i, stat.Mean(pick(costs[i]), nil)
		away[i] = distance(axes, settings[i], ownSetting)
	}
	slices.SortStableFunc(c.Order, func(a, b int) int {
		return cmp.Or(cmp.Compare(means[a], means[b]), cmp.Compare(away[a], away[b]))
	})

	near := c.Order[:min(len(c.Order), Contenders)]
	rows := make([][]float64, len(near))
	for k, i := range near {
		rows[k] = pick(costs[i])
	}
	c.resample(axes, settings, near, rows, pick(own), resamples, rand.New(rand.NewPCG(seed, streamResample)))
	return c
}

// Streams of random numbers of a seed, one a purpose.
const (
	streamResample = iota + 1
	streamHold
	streamOrder
)

func (c *Choice) resample(axes []Axis, settings []Setting, near []int, rows [][]float64, own []float64, resamples int, rng *rand.Rand) {
	n := len(own)
	drawn := make([][]float64, len(rows)) // mean costs by setting, then by resampling
	for k := range rows {
		drawn[k] = make([]float64, resamples)
	}
	drawnOwn, chosen := make([]float64, resamples), make([]int, resamples)
	weights := make([]float64, n)
	for b := range resamples {
		clear(weights)
		for range n {
			weights[rng.IntN(n)] += 1 / float64(n)
		}
		for k, row := range rows {
			drawn[k][b] = floats.Dot(weights, row)
			if drawn[k][b] < drawn[chosen[b]][b]-roundingCost {
				chosen[b] = k
			}
		}
		drawnOwn[b] = floats.Dot(weights, own)
	}

	best := drawn[0]
	for k := range rows {
		c.Cost = append(c.Cost, interval(drawn[k]))
		c.ToBest = append(c.ToBest, interval(less(drawn[k], best)))
		if k > 0 && c.ToBest[k].Includes(0) {
			c.Equal++
		}
	}
	c.OwnCost, c.OwnToBest = interval(drawnOwn), interval(less(drawnOwn, best))
	for j := range axes {
		values := make([]float64, resamples)
		for b, k := range chosen {
			values[b] = settings[near[k]][j]
		}
		c.Values = append(c.Values, interval(values))
	}
	for _, k := range chosen {
		if k == 0 {
			c.ChosenPart += 1 / float64(resamples)
		}
	}
}

// roundingCost is what mean costs of equal settings may differ by.
const roundingCost = 1e-9

func less(a, b []float64) []float64 {
	return floats.SubTo(make([]float64, len(a)), a, b)
}

func interval(values []float64) Interval {
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	return Interval{stat.Quantile(0.025, stat.Empirical, sorted, nil), stat.Quantile(0.975, stat.Empirical, sorted, nil)}
}

// MeanInterval is the mean of the values that are numbers and its interval.
func MeanInterval(values []float64, resamples int, seed uint64) (float64, Interval) {
	var kept mean
	for _, v := range values {
		kept.add(v)
	}
	if len(kept) == 0 {
		return math.NaN(), Interval{math.NaN(), math.NaN()}
	}
	rng := rand.New(rand.NewPCG(seed, streamResample))
	means := make([]float64, resamples)
	for b := range means {
		for range kept {
			means[b] += kept[rng.IntN(len(kept))] / float64(len(kept))
		}
	}
	return stat.Mean(kept, nil), interval(means)
}

// Split holds back a part of n runs, at least one and not all: it returns which are for
// tuning and which are held back, each in order.
func Split(n int, part float64, seed uint64) (tuned, held []int) {
	k := min(max(1, int(math.Round(part*float64(n)))), n-1)
	order := rand.New(rand.NewPCG(seed, streamHold)).Perm(n)
	held, tuned = order[:k], order[k:]
	slices.Sort(held)
	slices.Sort(tuned)
	return tuned, held
}
