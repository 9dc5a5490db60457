package main

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"bluefringe/device/event"
	"bluefringe/device/ratebook"
	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/guide"

	"gonum.org/v1/gonum/stat"
)

// rateLearner finds a run's Preston coefficient from how thick the silicon was at its
// start and at its end: Kp = removed / ∫P·v·f dt over the time with the pad on the die
// (F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214-256), f being what the pad is
// expected to remove at its age over what it does broken in and not yet glazed, to which
// coefficients refer (removal.Ageing). Not from the track, whose rate is drawn to the
// prior: a book that learnt from that would learn from itself.
// Its memory does not grow with the run. It belongs to the goroutine of the engine.
type rateLearner struct {
	process removal.Process
	ageing  removal.Ageing
	contact bool
	told    bool // contact was told by a process event
	nowS    float64
	sum     exposure
	unknown bool // the pad was on the die while pressure or speed was not known
	sites   map[string]*siteTrace
}

// exposure is what the pad did up to a moment, while it touched the die.
type exposure struct {
	contactS    float64
	forceNS     float64 // ∫F dt, N·s
	pressurePaS float64 // ∫P dt, Pa·s
	travelM     float64 // ∫v dt, m
	prestonPaM  float64 // ∫P·v dt, Pa·m
	agedPaM     float64 // ∫P·v·f dt, Pa·m
}

// sighted is a reading: one good thickness and the exposure before it.
type sighted struct {
	um, sdUM, contactS, prestonPaM, agedPaM float64
}

// siteTrace keeps of one site the first and the newest readings, and readings spread
// over all its time.
type siteTrace struct {
	first, newest []sighted
	spread        []sighted
	stride, seen  int
}

const (
	endReadings    = 5    // whose median stands for the start, and for the end
	spreadReadings = 256  // bound of siteTrace.spread
	learnedSites   = 64   // bound of rateLearner.sites
	mostRelSD      = 0.50 // beyond, a run teaches nothing
)

func newRateLearner() *rateLearner {
	return &rateLearner{contact: true, nowS: math.NaN(), sites: map[string]*siteTrace{}}
}

// open gives the process of the set-up.
func (l *rateLearner) open(s setup.Setup) { l.process, l.ageing = process(s), ageing(s) }

// change takes a change of the process.
func (l *rateLearner) change(c event.Process) {
	l.advance(c.TimeS)
	applyChange(&l.process, c)
	if c.Contact == nil {
		return
	}
	if *c.Contact && !l.told {
		// So the pad was not on the die before, whatever was assumed.
		l.sum, l.unknown = exposure{}, false
		clear(l.sites)
	}
	l.contact, l.told = *c.Contact, true
}

// advance lets run time pass.
func (l *rateLearner) advance(timeS float64) {
	dt := timeS - l.nowS
	if math.IsNaN(l.nowS) {
		l.nowS = timeS
		return
	}
	if !(dt > 0) {
		return
	}
	l.nowS = timeS
	if !l.contact {
		return
	}
	pressurePa, speed := l.process.PressurePa(), l.process.SpeedMS
	if !(l.process.PadMM > 0 && pressurePa >= 0 && speed >= 0) || math.IsInf(pressurePa*speed, 0) {
		l.unknown = true
		return
	}
	l.sum.agedPaM += pressurePa * speed * dt * l.ageing.Factor(l.sum.contactS+dt/2)
	l.sum.contactS += dt
	l.sum.forceNS += l.process.ForceN * dt
	l.sum.pressurePaS += pressurePa * dt
	l.sum.travelM += speed * dt
	l.sum.prestonPaM += pressurePa * speed * dt
}

// step takes what the engine says about a spectrum. Only good readings count: a wrong
// fringe order at an end would be a wrong rate.
func (l *rateLearner) step(s guide.Step) {
	l.advance(s.TimeS)
	e := s.Estimate
	if e == nil || e.Quality != estimate.Good || s.Disagreement != nil || !(e.SDUM > 0) {
		return
	}
	at := l.sites[e.Site]
	if at == nil {
		if len(l.sites) == learnedSites {
			return
		}
		at = &siteTrace{stride: 1}
		l.sites[e.Site] = at
	}
	at.add(sighted{e.ThicknessUM, e.SDUM, l.sum.contactS, l.sum.prestonPaM, l.sum.agedPaM})
}

func (t *siteTrace) add(r sighted) {
	if len(t.first) < endReadings {
		t.first = append(t.first, r)
	} else if t.newest = append(t.newest, r); len(t.newest) > endReadings {
		t.newest = slices.Delete(t.newest, 0, 1)
	}
	if t.seen%t.stride == 0 {
		if len(t.spread) == spreadReadings {
			for i := range spreadReadings / 2 {
				t.spread[i] = t.spread[2*i]
			}
			t.spread, t.stride = t.spread[:spreadReadings/2], 2*t.stride
		}
		t.spread = append(t.spread, r)
	}
	t.seen++
}

// middle is the median of some readings, each value by itself: one reading of a wrong
// fringe order among them does no harm.
func middle(of []sighted) sighted {
	median := func(value func(sighted) float64) float64 {
		values := make([]float64, len(of))
		for i, r := range of {
			values[i] = value(r)
		}
		slices.Sort(values)
		return values[len(values)/2]
	}
	return sighted{
		median(func(r sighted) float64 { return r.um }), median(func(r sighted) float64 { return r.sdUM }),
		median(func(r sighted) float64 { return r.contactS }), median(func(r sighted) float64 { return r.prestonPaM }),
		median(func(r sighted) float64 { return r.agedPaM }),
	}
}

// run is what the run taught: the mean over the sites, each between its own first and
// last readings. The uncertainties of the sites are taken as one, since they share
// tables and front side.
func (l *rateLearner) run() (ratebook.Run, error) {
	var removedUM, sdUM, agedPaM, contactS float64
	sites := 0.0
	var longest *siteTrace
	for _, name := range slices.Sorted(maps.Keys(l.sites)) {
		t := l.sites[name]
		if len(t.newest) < endReadings {
			continue
		}
		from, to := middle(t.first), middle(t.newest)
		removedUM += from.um - to.um
		sdUM += math.Hypot(from.sdUM, to.sdUM)
		agedPaM += to.agedPaM - from.agedPaM
		contactS += to.contactS - from.contactS
		sites++
		if longest == nil || t.seen > longest.seen {
			longest = t
		}
	}
	relSD := sdUM / removedUM
	switch {
	case l.unknown:
		return ratebook.Run{}, errors.New("force, pad or speed is not known for all the time with the pad on the die")
	case sites == 0:
		return ratebook.Run{}, fmt.Errorf("no site has %d good readings", 2*endReadings)
	case !(agedPaM > 0):
		return ratebook.Run{}, errors.New("the pad did not work on the die between the readings")
	case !(removedUM > 0):
		return ratebook.Run{}, errors.New("no silicon was removed between the readings")
	case relSD > mostRelSD:
		return ratebook.Run{}, fmt.Errorf("%.3g um of silicon removed, known within %.0f %% only", removedUM/sites, 100*relSD)
	}
	const metresPerUM = 1e-6
	return ratebook.Run{
		PadMM: l.process.PadMM, ForceN: l.sum.forceNS / l.sum.contactS, PressurePa: l.sum.pressurePaS / l.sum.contactS,
		SpeedMS:      l.sum.travelM / l.sum.contactS,
		PrestonPerPa: removedUM * metresPerUM / agedPaM, PrestonRelSD: math.Max(relSD, leastRelSD),
		RemovedUM: removedUM / sites, PolishedS: contactS / sites, GlazingS: longest.glazingS(),
	}, nil
}

// leastRelSD is what the book takes at least.
const leastRelSD = 1e-6

// glazingS is the time constant τ of a Preston coefficient that falls as exp(-t/τ) with
// the time of contact; NaN when it cannot be told. From ln Kp over parts of the run a
// straight line; its slope must be three times as large as what scatter and the usual
// wander of a rate explain. A wander of w per √s gives a straight line through it over
// the time T a slope with the variance 6w²/(5T): S. N. Durlauf, P. C. B. Phillips,
// Econometrica 56 (1988) 1333-1354, theorem 2.1 (from memory).
func (t *siteTrace) glazingS() float64 {
	const (
		parts   = 8
		inPart  = 6     // least readings
		sigmas  = 3     // common practice, no source
		wander  = 0.007 // 1/√s (common practice, no source)
		longest = 10    // times the run: beyond, the rate is as good as steady
	)
	// Readings before the pad came down or after it went up say nothing of the rate.
	var moving []sighted
	for i, r := range t.spread {
		if i == 0 || r.prestonPaM > t.spread[i-1].prestonPaM {
			moving = append(moving, r)
		}
	}
	size := len(moving) / parts
	if size < inPart {
		return math.NaN()
	}
	var timeS, lnKp []float64
	for i := range parts {
		part := moving[i*size : (i+1)*size]
		var x, y []float64
		sumS := 0.0
		for _, r := range part {
			x, y, sumS = append(x, r.prestonPaM), append(y, r.um), sumS+r.contactS
		}
		_, slope := stat.LinearRegression(x, y, nil, false)
		if !(slope < 0) {
			return math.NaN()
		}
		timeS, lnKp = append(timeS, sumS/float64(size)), append(lnKp, math.Log(-slope))
	}
	at, slope := stat.LinearRegression(timeS, lnKp, nil, false)
	residual := 0.0
	for i := range timeS {
		d := lnKp[i] - at - slope*timeS[i]
		residual += d * d
	}
	spanS := moving[len(moving)-1].contactS - moving[0].contactS
	sd := math.Hypot(math.Sqrt(residual/(parts-2)/(stat.Variance(timeS, nil)*(parts-1))), wander*math.Sqrt(6/(5*spanS)))
	if tau := -1 / slope; slope < -sigmas*sd && tau < longest*spanS {
		return tau
	}
	return math.NaN()
}
