package ratebook

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// vaccineTrials is the log relative risk, with its variance, of the 13 trials that G. A.
// Colditz et al., JAMA 271 (1994) 698-702, compared: the worked example of random-effects
// pooling in W. Viechtbauer, J. Stat. Softw. 36 (2010), no. 3. Values by metafor
// 3.8-1 (escalc, measure RR, data dat.bcg) under R 4.2.2.
func vaccineTrials() []sample {
	return []sample{
		{-0.8893113339202054, 0.32558476500396133}, {-1.5853886572014306, 0.19458112139814385},
		{-1.3480731482996933, 0.41536796536796539}, {-1.4415511900213054, 0.02001003190224757},
		{-0.2175473222112956, 0.05121017216963086}, {-0.7861155858188640, 0.00690561845590876},
		{-1.6208982235983918, 0.22301724757231517}, {0.0119523335238405, 0.00396157929781773},
		{-0.4694176487381494, 0.05643421046324897}, {-1.3713448034727844, 0.07302479361302891},
		{-0.3393588283383906, 0.01241221397155972}, {0.4459134005713787, 0.53250584520015276},
		{-0.0173139482168798, 0.07140465968398629},
	}
}

// fiveRuns are invented Preston coefficients in 1/Pa with their relative standard
// deviations, here standard deviations of the logarithm.
func fiveRuns() []sample {
	var out []sample
	for _, v := range [][2]float64{{2.1e-13, .05}, {2.6e-13, .08}, {1.8e-13, .04}, {2.45e-13, .1}, {3.3e-13, .06}} {
		out = append(out, sample{math.Log(v[0]), v[1] * v[1]})
	}
	return out
}

// TestBetweenVarianceReference compares with the Paule-Mandel estimator of metafor
// 3.8-1 under R 4.2.2: rma(y, v, method = "PM", control = list(tol = 1e-14)), its
// tau2, b, se and the half width of its prediction interval over 1.96.
func TestBetweenVarianceReference(t *testing.T) {
	const z975 = 1.959963984540054
	cases := map[string]struct {
		samples              []sample
		tau2, mean, se       float64
		piLow, piHigh, digit float64
	}{
		"vaccine trials": {vaccineTrials(), 0.318068452205024, -0.714968153493444, 0.180892191537624, -1.87580708248402, 0.445870775497129, 1e-12},
		"five runs":      {fiveRuns(), 0.0493974725927186, -29.0627164968811, 0.103972749139169, -29.5436383244085, -28.5817946693538, 1e-12},
		"agreeing": {[]sample{{math.Log(2.1e-13), .01}, {math.Log(2.2e-13), .0144}, {math.Log(2.0e-13), .0225}},
			0, -29.1867031789444, 0.0683763458757828, -29.3207183542554, -29.0526880036334, 1e-12},
		"two": {[]sample{{math.Log(2e-13), .0004}, {math.Log(3e-13), .04}},
			0.0620009769465824, -29.0865592828636, 0.19676342465488, -29.7085717627561, -28.4645468029712, 1e-12},
	}
	for name, c := range cases {
		tau2 := betweenVariance(c.samples)
		mean, variance := weightedMean(c.samples, tau2)
		half := z975 * math.Sqrt(tau2+variance)
		for what, pair := range map[string][2]float64{
			"tau²": {tau2, c.tau2}, "mean": {mean, c.mean}, "standard error": {math.Sqrt(variance), c.se},
			"prediction low": {mean - half, c.piLow}, "prediction high": {mean + half, c.piHigh},
		} {
			if !(math.Abs(pair[0]-pair[1]) <= c.digit*math.Max(1, math.Abs(pair[1]))) {
				t.Errorf("%s: %s %.15g, want %.15g", name, what, pair[0], pair[1])
			}
		}
	}
}

// TestBetweenVarianceNearDerSimonianLaird: with one Newton step less the estimator would
// be the older one of R. DerSimonian, N. Laird, Control. Clin. Trials 7 (1986) 177-188,
// tau² = 0.3088 for the trials (metafor 3.8-1: 0.308760262862376). The two must be near
// each other and not the same.
func TestBetweenVarianceNearDerSimonianLaird(t *testing.T) {
	const laird = 0.308760262862376
	got := betweenVariance(vaccineTrials())
	if ratio := got / laird; !(ratio > 1.01 && ratio < 1.1) {
		t.Errorf("tau² %g is %g of DerSimonian and Laird's", got, ratio)
	}
}

// drawSamples draws samples whose uncertainties differ.
func drawSamples(t *rapid.T) []sample {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) sample {
		sd := rapid.Float64Range(0.01, 0.5).Draw(t, "sd")
		return sample{rapid.Float64Range(-31, -27).Draw(t, "y"), sd * sd}
	}), 1, 30).Draw(t, "samples")
}

// TestBetweenVarianceDefinition: the weighted sum of squares is k-1 where tau² is above
// zero, and no more than that where it is zero (Paule and Mandel's equation).
func TestBetweenVarianceDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		samples := drawSamples(t)
		tau2 := betweenVariance(samples)
		mean, _ := weightedMean(samples, tau2)
		sum := 0.0
		for _, s := range samples {
			sum += (s.y - mean) * (s.y - mean) / (s.variance + tau2)
		}
		freedom := float64(len(samples) - 1)
		switch {
		case tau2 < 0 || math.IsNaN(tau2):
			t.Fatalf("tau² %g", tau2)
		case tau2 > 0 && !(math.Abs(sum-freedom) <= 1e-8*freedom):
			t.Fatalf("weighted sum of squares %g, want %g at tau² %g", sum, freedom, tau2)
		case tau2 == 0 && sum > freedom*(1+1e-12)+1e-12:
			t.Fatalf("weighted sum of squares %g above %g though tau² is 0", sum, freedom)
		}
	})
}

// TestBetweenVarianceEqual: with equal variances the estimator is the sample variance
// less the common one, the mean the plain mean, and its variance s²/k.
func TestBetweenVarianceEqual(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		samples := drawSamples(t)
		k, common := float64(len(samples)), samples[0].variance
		mean, square := 0.0, 0.0
		for i := range samples {
			samples[i].variance = common
			mean += samples[i].y / k
		}
		for _, s := range samples {
			square += (s.y - mean) * (s.y - mean)
		}
		want := 0.0
		if k > 1 {
			want = math.Max(0, square/(k-1)-common)
		}
		got := betweenVariance(samples)
		if math.Abs(got-want) > 1e-9*(want+common) {
			t.Fatalf("tau² %g, want %g", got, want)
		}
		middle, variance := weightedMean(samples, got)
		if math.Abs(middle-mean) > 1e-9 || math.Abs(variance-(common+want)/k) > 1e-9 {
			t.Fatalf("mean %g ± √%g, want %g ± √%g", middle, variance, mean, (common+want)/k)
		}
	})
}

// TestBetweenVarianceRecovers draws many runs with a known spread.
func TestBetweenVarianceRecovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	const tau, runs, times = 0.25, 20, 400
	sum := 0.0
	for range times {
		samples := make([]sample, runs)
		for i := range samples {
			sd := 0.05 + 0.2*rng.Float64()
			samples[i] = sample{tau*rng.NormFloat64() + sd*rng.NormFloat64(), sd * sd}
		}
		sum += betweenVariance(samples) / times
	}
	// The scatter of one estimate is about 40 %, of the mean of 400 about 2 %.
	if math.Abs(sum/(tau*tau)-1) > 0.08 {
		t.Errorf("mean tau² %g, truth %g", sum, tau*tau)
	}
}

func TestModerated(t *testing.T) {
	const usual = usualBetweenSD * usualBetweenSD
	if got := moderated(0, 0); got != usual {
		t.Errorf("one run: %g, want the usual %g", got, usual)
	}
	if got := moderated(0, 4); math.Abs(got-usual/2) > 1e-15 {
		t.Errorf("five runs that agree: %g, want half the usual", got)
	}
	if got := moderated(1, 1000); math.Abs(got-1) > 0.01 {
		t.Errorf("many runs: %g, want nearly what they show", got)
	}
}

// TestFewRuns: 95 % points of Student's t with 4, 8 and 30 degrees of freedom are 2.132,
// 1.860 and 1.697, of the normal distribution 1.645 (any table).
func TestFewRuns(t *testing.T) {
	for freedom, want := range map[int]float64{0: 2.132 / 1.645, 4: 1.860 / 1.645, 26: 1.697 / 1.645, 1e6: 1} {
		if got := fewRuns(freedom); math.Abs(got-want) > 1e-3 {
			t.Errorf("%d degrees of freedom: %g, want %g", freedom, got, want)
		}
	}
}

func TestLnVariance(t *testing.T) {
	for _, rel := range []float64{1e-6, 0.05, 0.3, 1, 3} {
		if got := relSD(lnVariance(rel)); math.Abs(got/rel-1) > 1e-9 {
			t.Errorf("%g comes back as %g", rel, got)
		}
	}
	// A log-normal of unit variance of the logarithm: √(e-1).
	if got := relSD(1); math.Abs(got-1.3108324944320862) > 1e-12 {
		t.Errorf("relative standard deviation %g", got)
	}
}
