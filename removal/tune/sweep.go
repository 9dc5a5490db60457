package tune

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"sync"
)

// Options say how settings are tried.
type Options struct {
	ExtrapolateS float64 // see Play
	Workers      int     // goroutines
	Played       func()  // told of every run that was played, from any goroutine; may be nil
}

// Sweep plays every run with every setting and returns the outcomes by setting, then by
// run. The first is played first, the others in an order that spreads over the grid: when
// the context ends before, what is done stands for the whole. Then its error is returned
// as well, and nil for settings that are not done.
func Sweep(ctx context.Context, runs []*Run, settings []Setting, o Options) ([][]Outcome, error) {
	outer := ctx
	ctx, cancel := context.WithCancel(outer)
	defer cancel()
	all := make([][]Outcome, len(settings))
	next := make(chan int)
	failed := make(chan error, max(1, o.Workers))
	var workers sync.WaitGroup
	for range max(1, o.Workers) {
		workers.Go(func() {
			for i := range next {
				row, err := playAll(ctx, runs, settings[i], o)
				if err != nil {
					failed <- err
					cancel()
					return
				}
				all[i] = row
			}
		})
	}
	for _, i := range spread(len(settings)) {
		select {
		case next <- i:
			continue
		case <-ctx.Done():
		}
		break
	}
	close(next)
	workers.Wait()
	close(failed)
	for err := range failed {
		if !errors.Is(err, ctx.Err()) {
			return nil, err
		}
	}
	return all, outer.Err()
}

// spread is 0, then the numbers below n in a fixed random order.
func spread(n int) []int {
	order := rand.New(rand.NewPCG(1, streamOrder)).Perm(n)
	if n > 0 {
		first := slices.Index(order, 0)
		order[0], order[first] = order[first], order[0]
	}
	return order
}

func playAll(ctx context.Context, runs []*Run, s Setting, o Options) ([]Outcome, error) {
	row := make([]Outcome, len(runs))
	for j, r := range runs {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		var err error
		if row[j], err = r.Play(s, o.ExtrapolateS); err != nil {
			return nil, err
		}
		if o.Played != nil {
			o.Played()
		}
	}
	return row, nil
}
