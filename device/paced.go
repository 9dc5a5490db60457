package device

import (
	"context"
	"math"
	"time"

	"bluefringe/device/event"
)

// Paced hands on the lines of src at the times they carry (time_s), divided by
// speed: 1 is real time, 10 ten times as fast. Zero, a negative number and +Inf
// mean as fast as possible. Lines without a time follow the line before them.
// Time is counted from the first line that carries one; a receiver that is
// late is caught up with, and a time that runs backwards does not wait.
func Paced(src Source, speed float64) Source {
	if !(speed > 0) || math.IsInf(speed, 1) {
		return src
	}
	return &pacedSource{src: src, speed: speed}
}

type pacedSource struct {
	src   Source
	speed float64
}

func (p *pacedSource) Name() string { return p.src.Name() }

func (p *pacedSource) Run(ctx context.Context, emit func(Line) error) error {
	var begun time.Time
	var firstS float64
	return p.src.Run(ctx, func(line Line) error {
		if timeS, ok := lineTime(line); ok {
			if begun.IsZero() {
				begun, firstS = time.Now(), timeS
			}
			due := seconds((timeS - firstS) / p.speed)
			if err := sleep(ctx, due-time.Since(begun)); err != nil {
				return err
			}
		}
		return emit(line)
	})
}

func lineTime(line Line) (timeS float64, ok bool) {
	if line.Err != nil {
		return 0, false
	}
	e, err := event.Decode(line.Text)
	if err != nil {
		return 0, false
	}
	return e.Time()
}

// seconds is a duration that does not wrap round for absurd times.
func seconds(s float64) time.Duration {
	const most = 100 * 365 * 24 * 3600
	return time.Duration(max(-most, min(s, most)) * float64(time.Second))
}

func sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
