package record

import (
	"fmt"
	"path/filepath"
	"time"
)

// gauge watches the room on a disk.
type gauge struct {
	free func() (bytes uint64, ok bool) // nil: not known

	startedAt, lookedAt time.Time
	told                int // stages
}

const (
	gaugeEvery = 10 * time.Second
	gaugeAfter = time.Minute // before, the rate of writing says little
)

// stage is a warning: it is given once, when either limit is passed.
type stage struct {
	bytes uint64
	left  time.Duration // at the mean rate of this record so far
}

// stages come early, late and last (common practice, no source).
func stages() []stage {
	return []stage{{1 << 30, 4 * time.Hour}, {256 << 20, time.Hour}, {64 << 20, 10 * time.Minute}}
}

func diskOf(path string) gauge {
	folder := filepath.Dir(path)
	return gauge{free: func() (uint64, bool) { return freeBytes(folder) }}
}

// look says how much room is left when that is a new stage; empty otherwise. It looks
// at the disk at most every gaugeEvery.
func (g *gauge) look(now time.Time, written int64) string {
	if g.free == nil || !g.lookedAt.IsZero() && now.Sub(g.lookedAt) < gaugeEvery {
		return ""
	}
	if g.startedAt.IsZero() {
		g.startedAt = now
	}
	g.lookedAt = now
	free, ok := g.free()
	if !ok {
		return ""
	}
	left, known := time.Duration(0), false
	if took := now.Sub(g.startedAt); took >= gaugeAfter && written > 0 {
		seconds := float64(free) / (float64(written) / took.Seconds())
		const most = 1e6 // 11 days: no limit is near
		left, known = time.Duration(min(seconds, most)*float64(time.Second)), seconds < most
	}
	all, passed := stages(), 0
	for i, s := range all {
		if free < s.bytes || known && left < s.left {
			passed = i + 1
		}
	}
	if passed <= g.told {
		return ""
	}
	g.told = passed
	text := fmt.Sprintf("%d MB of room left", free>>20)
	if known {
		text += fmt.Sprintf(", for about %s at the present rate", left.Round(time.Minute))
	}
	return text
}
