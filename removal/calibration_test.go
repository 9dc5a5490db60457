package removal

import (
	"math"
	"math/rand/v2"
	"testing"
)

// padDie is a die whose rate goes as real ones do and not as the tracker's model: it is
// wrong by up to two from the start, the pad breaks in and glazes by exponentials of drawn
// size and time, and the logarithm of the rate wanders.
type padDie struct {
	random             *rand.Rand
	fullUMS            float64
	breakIn, breakInS  float64
	glazedTo, glazingS float64
	wanderSD, wanderS  float64
	timeS, wander, z   float64
}

func newPadDie(random *rand.Rand, presumedUMMin, z float64) *padDie {
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	logBetween := func(low, high float64) float64 { return low * math.Pow(high/low, random.Float64()) }
	d := &padDie{
		random: random, z: z,
		fullUMS: presumedUMMin / 60 * logBetween(0.5, 2),
		breakIn: between(0.05, 0.3), breakInS: logBetween(10, 60),
		glazedTo: between(0.5, 0.9), glazingS: logBetween(180, 1200),
		wanderSD: between(0.05, 0.15), wanderS: between(120, 480),
	}
	d.wander = d.wanderSD * random.NormFloat64()
	return d
}

func (d *padDie) rateUMS() float64 {
	return d.fullUMS * (1 - d.breakIn*math.Exp(-d.timeS/d.breakInS)) *
		(d.glazedTo + (1-d.glazedTo)*math.Exp(-d.timeS/d.glazingS)) * math.Exp(d.wander)
}

func (d *padDie) polish(dt float64) {
	before := d.rateUMS()
	keep := math.Exp(-dt / d.wanderS)
	d.wander = keep*d.wander + d.wanderSD*math.Sqrt(1-keep*keep)*d.random.NormFloat64()
	d.timeS += dt
	d.z -= (before + d.rateUMS()) / 2 * dt
}

// The 90 % interval of the time to target must hold about nine tenths of the crossings of
// such dies too, from the first readings to the last seconds.
func TestIntervalsHoldOnRealisticPads(t *testing.T) {
	const dies, presumed, target = 300, 0.5, 1.0
	random := rand.New(rand.NewPCG(6, 6))
	leftS := []float64{240, 120, 60, 30, 10} // median of the forecast, s
	var said, held, early, late [5]int
	var later, width [5]float64
	for range dies {
		truth := newPadDie(random, presumed, 2.5+3*random.Float64())
		sdUM := 0.0003 * math.Pow(10, random.Float64())
		every := 0.5 + random.Float64()
		die := NewDie(DieConfig{})
		die.Process(0, true, presumed)
		c := die.Site("c")
		type statement struct {
			Interval
			atS float64
		}
		var list [5]statement
		next := 0
		for truth.z > target {
			die.Update(c, truth.timeS, truth.z+sdUM*random.NormFloat64(), sdUM)
			s := die.At(c, truth.timeS)
			if next < len(leftS) && (s.ThicknessUM-target)/s.RateUMMin*60 < 1.5*leftS[next] {
				f := NewForecast(s, 0)
				v := f.TimeTo(target)
				for ; next < len(leftS) && v.P50S <= leftS[next]; next++ {
					if v.P50S > 0.5*leftS[next] {
						list[next] = statement{v, truth.timeS}
					}
				}
			}
			truth.polish(every)
		}
		for i, s := range list {
			if s.P50S == 0 {
				continue
			}
			after := truth.timeS + (truth.z-target)/truth.rateUMS() - s.atS
			said[i]++
			switch {
			case after < s.P05S:
				early[i]++
			case after > s.P95S || math.IsNaN(s.P95S):
				late[i]++
			default:
				held[i]++
			}
			later[i] += after/s.P50S - 1
			width[i] += (s.P95S - s.P05S) / s.P50S / (2 * deviate95)
		}
	}
	t.Log("s left  dies  held %  early %  late %  later %  stated sd %")
	for i := range leftS {
		n := float64(said[i])
		share := 100 * float64(held[i]) / n
		t.Logf("%6.0f  %4d  %6.1f  %7.1f  %6.1f  %+7.1f  %6.1f", leftS[i], said[i], share, 100*float64(early[i])/n, 100*float64(late[i])/n, 100*later[i]/n, 100*width[i]/n)
		if share < 80 || share > 97 {
			t.Errorf("%.0f s left: %.1f %% held, want 80 to 97", leftS[i], share)
		}
	}
}
