package removal

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Against first passages of simulated dies that start from the forecast's own
// distribution. 10000 dies: the standard error of a probability is at most 0.005.
func TestForecastAgainstMonteCarlo(t *testing.T) {
	const dies = 10000
	random := rand.New(rand.NewPCG(3, 3))
	for _, c := range []struct {
		name                          string
		sd, relSD, correlation, level float64
		glazing, glazingSD            float64
	}{
		{"rate known well", 0.003, 0.02, -0.5, 2.5, 0, 0},
		{"rate known badly", 0.003, 0.3, 0, 2.5, 0, 0},
		{"thickness in doubt", 0.05, 0.05, -0.6, 2.8, 0, 0},
		{"both", 0.05, 0.4, -0.3, 2.6, 0, 0},
		{"pad glazes", 0.003, 0.1, 0, 1, 0.4, 0.2},
	} {
		s := stateOf(3, c.sd, 0.5, c.relSD, c.correlation)
		if c.glazing > 0 { // of one unit of the factor, exchanged with the level
			s.kinetics.glazingS = 200
			s.place.mean[level] -= c.glazing
			s.place.mean[glazing] += c.glazing
			at := func(a, b int) *float64 { return &s.place.cov[a*placeSize+b] }
			v := c.glazingSD * c.glazingSD
			*at(level, level) += v
			*at(glazing, glazing) += v
			*at(level, glazing) -= v
			*at(glazing, level) -= v
		}
		f := NewForecast(s, 0)
		v := f.TimeTo(c.level)
		s2 := math.Log1p(f.factor.variance / (f.factor.mean * f.factor.mean))
		x := s.place.pair()
		residual := math.Sqrt(f.residualUM2)
		times := make([]float64, dies)
		for i := range times {
			die := &modelDie{random: random, kinetics: s.kinetics, own: []float64{0}}
			factor := f.factor.mean * math.Exp(math.Sqrt(s2)*random.NormFloat64()-s2/2)
			// What fades is in proportion to the factor; what lasts is positive.
			die.parts[glazing] = factor * math.Min(0.99, c.glazing+c.glazingSD*random.NormFloat64())
			die.parts[level] = factor - die.parts[glazing]
			die.z = []float64{3 + f.slopeUM*(factor-x.b) + residual*random.NormFloat64()}
			times[i] = firstPassage(die, c.level, v.P50S/40)
		}
		slices.Sort(times)
		share := func(at float64) float64 {
			n, _ := slices.BinarySearch(times, at+1e-12)
			return float64(n) / dies
		}
		t.Logf("%-18s 5/50/95 %%: %.2f %.2f %.2f s; shares of dies %.4f %.4f %.4f", c.name, v.P05S, v.P50S, v.P95S, share(v.P05S), share(v.P50S), share(v.P95S))
		// 4 binomial standard errors, and 0.005 for the three-moment form; 0.01 where the
		// cut of what glazes is felt.
		form := 0.005
		if c.glazing > 0 {
			form = 0.01
		}
		within(t, c.name+" 5 %", share(v.P05S), 0.05, 4*math.Sqrt(0.05*0.95/dies)+form)
		within(t, c.name+" 50 %", share(v.P50S), 0.5, 4*math.Sqrt(0.25/dies)+form)
		within(t, c.name+" 95 %", share(v.P95S), 0.95, 4*math.Sqrt(0.05*0.95/dies)+form)
	}
}

// firstPassage polishes until the first place is down to a level and returns when.
func firstPassage(die *modelDie, levelUM, step float64) float64 {
	for die.z[0] > levelUM {
		before := die.z[0]
		die.polish(step)
		if die.z[0] <= levelUM {
			return die.timeS - step*(levelUM-die.z[0])/(before-die.z[0])
		}
	}
	return die.timeS
}

// The 90 % interval of the time to target must hold 87 to 93 % of the crossings
// of 1000 dies that follow the model, from the first readings to the last moment.
func TestIntervalsHoldCrossings(t *testing.T) {
	const dies, baseUM, sdUM, target = 1000, 0.5, 0.003, 2.0
	random := rand.New(rand.NewPCG(4, 4))
	left := []float64{0.9, 0.5, 0.2, 0.1, 0.05, 0.02} // µm above target
	held := make([]int, len(left))
	late := make([]int, len(left)) // crossings after the 95 % point
	width := make([]float64, len(left))
	for range dies {
		truth := newModelDie(random, baseUM, 1, 3)
		die := NewDie(DieConfig{})
		die.Process(0, true, baseUM)
		c := die.Site("c")
		type stated struct {
			Interval
			atS float64
		}
		var said []stated
		crossed := math.NaN()
		for math.IsNaN(crossed) {
			die.Update(c, truth.timeS, truth.measure(0, sdUM), sdUM)
			s := die.At(c, truth.timeS)
			if len(said) < len(left) && s.ThicknessUM <= target+left[len(said)] {
				f := NewForecast(s, 0)
				said = append(said, stated{f.TimeTo(target), truth.timeS})
			}
			before := truth.z[0]
			truth.polish(0.5)
			if truth.z[0] <= target {
				crossed = truth.timeS - 0.5*(target-truth.z[0])/(before-truth.z[0])
			}
		}
		for i, v := range said {
			after := crossed - v.atS
			if after >= v.P05S && after <= v.P95S {
				held[i]++
			}
			if after > v.P95S {
				late[i]++
			}
			width[i] += v.P95S - v.P05S
		}
	}
	t.Log("µm left  held %  late %  mean width s")
	for i := range left {
		share := 100 * float64(held[i]) / dies
		t.Logf("%7.2f %7.1f %7.1f %9.2f", left[i], share, 100*float64(late[i])/dies, width[i]/dies)
		if share < 87 || share > 93 {
			t.Errorf("%.2f µm left: %.1f %% of crossings held, want 87 to 93", left[i], share)
		}
	}
}

// Brownian motion with drift μ and diffusion σ²: the first passage of a distance a is
// inverse Gaussian with mean a/μ and shape a²/σ² (J. L. Folks and R. S. Chhikara, J. R.
// Stat. Soc. B 40 (1978) 263; from memory),
//
//	P(T <= t) = Φ((μt-a)/(σ√t)) + exp(2μa/σ²)·Φ(-(μt+a)/(σ√t)).
//
// The model comes near that when the rate is known and its wander forgets within a moment:
// then z(t) has the variance σ²t. What differs: a Brownian path comes back up and a die does
// not, so that the forecast is the first term alone, and the second bounds what is
// missing; and the skew of three variations that keeps the amount removed positive, which
// the Brownian motion lacks, moves probabilities by at most 0.2 of the variation σ/√(μa)
// (Edgeworth's first term, (u²-1)·φ(u)·skew/6).
func TestPassageAgainstInverseGaussian(t *testing.T) {
	const mu, memoryS, a = 0.01, 1e-3, 1.0
	for _, variation := range []float64{0.003, 0.01, 0.03, 0.1} {
		sigma2 := variation * variation * mu * a
		s := stateOf(3, 1e-9, 60*mu, 1e-9, 0)
		s.kinetics.wander = comeAndGo{math.Sqrt(sigma2/(2*memoryS)) / mu, memoryS}
		f := NewForecast(s, 0)
		v := f.TimeTo(3 - a)
		for _, c := range []struct{ p, atS float64 }{{0.05, v.P05S}, {0.5, v.P50S}, {0.95, v.P95S}} {
			spread := math.Sqrt(sigma2 * c.atS)
			first := normalCDF((mu*c.atS - a) / spread)
			again := math.Exp(2*mu*a/sigma2 + lnTail((mu*c.atS+a)/spread))
			t.Logf("variation %5.3f: %6.2f s stated for %.2f; inverse Gaussian %.4f, of which come back %.4f", variation, c.atS, c.p, first+again, again)
			within(t, "first term", first, c.p, 0.2*variation+variation*variation+1e-4)
			if again > variation {
				t.Errorf("variation %g: %.4f come back", variation, again)
			}
		}
		within(t, "mean of the inverse Gaussian", f.TimeToMean(3-a), a/mu, 1e-3)
	}
}

// lnTail is ln Φ(-x), by its asymptotic series (Abramowitz and Stegun 26.2.12) where the
// function underflows.
func lnTail(x float64) float64 {
	if x < 10 {
		return math.Log(normalCDF(-x))
	}
	return -x*x/2 - math.Log(x*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(x*x)+3/(x*x*x*x)-15/math.Pow(x, 6))
}

func TestLongestFor(t *testing.T) {
	f := NewForecast(stateOf(3, 0.01, 0.5, 0.1, -0.3), 0.005)
	for _, risk := range []float64{1e-4, 1e-3, 0.05, 0.5} {
		at := f.LongestFor(2.5, risk)
		within(t, "risk at that time", f.ProbabilityBelow(2.5, at)/risk, 1, 1e-4)
	}
	within(t, "5 % is the interval's edge", f.LongestFor(2.5, 0.05), f.TimeTo(2.5).P05S, 1e-6)
	for _, c := range []struct{ level, risk, want float64 }{
		{3.1, 1e-3, 0}, {2.99, 1e-3, 0}, {2, 0, 0}, {2, -1, 0}, {2, 1, math.Inf(1)},
	} {
		if got := f.LongestFor(c.level, c.risk); got != c.want {
			t.Errorf("LongestFor(%g, %g) = %g, want %g", c.level, c.risk, got, c.want)
		}
	}
	rest := NewForecast(stateOf(3, 0.01, 0, 0.1, 0), 0)
	if got := rest.LongestFor(2, 1e-3); !math.IsInf(got, 1) {
		t.Errorf("no removal: %g", got)
	}
	none := NewForecast(noState(0, true), 0)
	if got := none.LongestFor(2, 1e-3); !math.IsNaN(got) {
		t.Errorf("no track: %g", got)
	}
	if got := none.TimeToMean(2); !math.IsNaN(got) {
		t.Errorf("no track: %g", got)
	}
}

// A pad that glazes with known numbers: R0·exp(-t/τ), R0 = 500 nm/min and τ = 10 min,
// removes R0·τ·(1-exp(-t/τ)) = 1967.3467 nm in 5 min and is at 2000 nm after 5.10826 min
// (identity).
func TestForecastGlazing(t *testing.T) {
	s := stateOf(5, 1e-9, 0.5, 1e-9, 0)
	s.kinetics.wander.relSD, s.kinetics.glazingS = 1e-9, 600
	s.place.mean[level], s.place.mean[glazing] = 1e-7, 1-1e-7
	f := NewForecast(s, 0)
	within(t, "removed in 5 min, nm", 1000*(5-f.MeanAfter(300)), 1967.3467, 1e-3)
	within(t, "minutes to 2000 nm", f.TimeToMean(3)/60, 5.10826, 1e-4)
	if v := f.TimeTo(5 - 5.1); !math.IsNaN(v.P50S) { // 5000 nm are the limit
		t.Errorf("beyond what can be removed: %+v", v)
	}
}
