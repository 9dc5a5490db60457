package tui

import (
	"sync"

	"bluefringe/removal/guide"
)

// Bounds of an Album: estimates, and numbers in their pictures (16 MB).
const (
	albumEstimates = 512
	albumNumbers   = 2 << 20
)

// Album keeps past estimates with their pictures, so that the operator can look
// back. It takes constant memory: each time it is full, every other one of the
// older half of each site goes. The zero value is empty and ready; its methods
// may be called from different goroutines.
type Album struct {
	mu      sync.Mutex
	kept    []*guide.Estimate // oldest first
	numbers int
}

// Add keeps an estimate. One whose time goes back starts a new run.
func (a *Album) Add(e *guide.Estimate) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if n := len(a.kept); n > 0 && e.TimeS < a.kept[n-1].TimeS {
		a.kept, a.numbers = nil, 0
	}
	a.kept = append(a.kept, e)
	a.numbers += numbersIn(e)
	for len(a.kept) > albumEstimates || a.numbers > albumNumbers && len(a.kept) > 2 {
		a.thin()
	}
}

func numbersIn(e *guide.Estimate) int {
	p := &e.Picture
	return len(p.WavelengthNM) + len(p.Reflectance) + len(p.Model) + 3*len(p.VisibilityNM)
}

// thin drops every other estimate of each site from the older half.
func (a *Album) thin() {
	half := len(a.kept) / 2
	odd := map[string]bool{}
	thinned := a.kept[:0]
	a.numbers = 0
	for i, e := range a.kept {
		odd[e.Site] = !odd[e.Site]
		if i <= half && !odd[e.Site] {
			continue
		}
		thinned = append(thinned, e)
		a.numbers += numbersIn(e)
	}
	// Where each site has one estimate only, the oldest go.
	if len(thinned) == len(a.kept) {
		a.numbers -= numbersIn(thinned[0])
		thinned = append(thinned[:0], thinned[1:]...)
	}
	clear(a.kept[len(thinned):]) // let go of what was dropped
	a.kept = thinned
}

// At returns the newest kept estimate of a site that is not later than timeS,
// nil when there is none. An empty site means any.
func (a *Album) At(timeS float64, site string) *guide.Estimate {
	if a == nil {
		return nil
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	for i := len(a.kept) - 1; i >= 0; i-- {
		if e := a.kept[i]; e.TimeS <= timeS && (site == "" || e.Site == site) {
			return e
		}
	}
	return nil
}
