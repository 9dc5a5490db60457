package tui

import (
	"math"
	"sync"

	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
)

// Sizes of a History: the newest points are all kept, the older ones at a
// resolution that halves each time they fill their part.
const (
	historyRecent = 2048
	historyOlder  = 4096
)

// Point is one moment of a run. A number that does not exist is NaN.
type Point struct {
	TimeS          float64
	ThicknessUM    float64 // of the track
	SDUM           float64
	RateUMMin      float64
	ToTargetS      removal.Interval // as it was forecast then
	EdgeNM         float64          // contrast edge as measured
	EdgeExpectedNM float64          // where it belongs for the thickness
	Quality        estimate.Quality // of the newest spectrum
	Level          advice.Level
}

// History keeps a run for the plot against time in constant memory. The zero
// value is empty and ready. Add and Points may be called from different
// goroutines; both hold the lock only for a bounded copy.
type History struct {
	mu     sync.Mutex
	older  []Point // one of every stride points, oldest first
	recent []Point // ring of the newest points
	head   int     // oldest of recent once the ring is full
	stride int
	bucket Point // gathers the next entry of older
	inside int   // points in bucket
}

// Add appends a point. A point whose time goes back starts a new run and drops
// what was there.
func (h *History) Add(p Point) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if n := len(h.recent); n > 0 && p.TimeS < h.recent[(h.head+n-1)%n].TimeS {
		h.older, h.recent = h.older[:0], h.recent[:0]
		h.head, h.inside, h.stride = 0, 0, 0
	}
	if len(h.recent) < historyRecent {
		h.recent = append(h.recent, p)
		return
	}
	h.retire(h.recent[h.head])
	h.recent[h.head] = p
	h.head = (h.head + 1) % historyRecent
}

// retire moves a point from the recent part to the older one.
func (h *History) retire(p Point) {
	h.stride = max(h.stride, 1)
	if h.inside > 0 {
		p.Level = max(p.Level, h.bucket.Level)
	}
	h.bucket = p
	h.inside++
	if h.inside < h.stride {
		return
	}
	h.older = append(h.older, h.bucket)
	h.inside = 0
	if len(h.older) < historyOlder {
		return
	}
	half := h.older[:0]
	for i := 1; i < len(h.older); i += 2 {
		half = append(half, merge(h.older[i-1], h.older[i]))
	}
	h.older = half
	h.stride *= 2
}

// Start returns the time of the first point, NaN when there is none.
func (h *History) Start() float64 {
	if h == nil {
		return math.NaN()
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case len(h.older) > 0:
		return h.older[0].TimeS
	case h.inside > 0:
		return h.bucket.TimeS
	case len(h.recent) > 0:
		return h.recent[h.head].TimeS
	}
	return math.NaN()
}

// At returns the newest point that is not later than timeS.
func (h *History) At(timeS float64) (p Point, ok bool) {
	if h == nil {
		return p, false
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for i := len(h.recent) - 1; i >= 0; i-- {
		if q := h.recent[(h.head+i)%len(h.recent)]; q.TimeS <= timeS {
			return q, true
		}
	}
	if h.inside > 0 && h.bucket.TimeS <= timeS {
		return h.bucket, true
	}
	for i := len(h.older) - 1; i >= 0; i-- {
		if h.older[i].TimeS <= timeS {
			return h.older[i], true
		}
	}
	return p, false
}

// merge makes one point of two neighbours. The later one stands, since the
// silicon was never thicker after it; a warning in either is kept.
func merge(a, b Point) Point {
	b.Level = max(a.Level, b.Level)
	return b
}

// Points appends all points from fromS on to dst, oldest first, and returns it.
func (h *History) Points(dst []Point, fromS float64) []Point {
	if h == nil {
		return dst
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	keep := func(points []Point) {
		for _, p := range points {
			if p.TimeS >= fromS {
				dst = append(dst, p)
			}
		}
	}
	keep(h.older)
	if h.inside > 0 {
		keep([]Point{h.bucket})
	}
	keep(h.recent[h.head:])
	keep(h.recent[:h.head])
	return dst
}
