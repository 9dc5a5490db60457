package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync/atomic"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"
)

// tuneSource is a run to be read: a record or an invented one.
type tuneSource struct {
	name string
	open func() device.Source
	// made is what its readings are made from, but for set-up and program.
	made string
	// reactionS is what the operator of an invented run takes; NaN: the record tells.
	reactionS float64
}

// fileSource is a record. read counts its bytes.
func fileSource(ctx context.Context, path string, read *meter) (tuneSource, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return tuneSource{}, usage(fmt.Errorf("no record %s", event.Clean(path)))
	case err != nil:
		return tuneSource{}, err
	case !info.Mode().IsRegular():
		return tuneSource{}, usage(fmt.Errorf("%s is no file: tune needs finished records", event.Clean(path)))
	}
	size, sum, err := recordSum(ctx, path)
	if err != nil {
		return tuneSource{}, err
	}
	return tuneSource{name: event.Clean(filepath.Base(path)), made: sum, reactionS: math.NaN(), open: func() device.Source {
		return &meteredSource{Source: device.File(path), size: float64(size), meter: read}
	}}, nil
}

// meteredSource tells a meter how much of it has been read, as a part of 1.
type meteredSource struct {
	device.Source
	size  float64
	meter *meter
}

func (m *meteredSource) Run(ctx context.Context, emit func(device.Line) error) error {
	told := 0.0
	err := m.Source.Run(ctx, func(line device.Line) error {
		part := math.Min(float64(len(line.Text)+1)/m.size, 1-told)
		told += part
		m.meter.add(part)
		return emit(line)
	})
	m.meter.add(1 - told)
	return err
}

// invented says how simulated runs are made.
type invented struct {
	count     int
	seed      uint64
	startUM   float64 // above the target
	reactionS float64 // of the operator, mean
}

const (
	// handRelSD is how the reaction time of an invented operator scatters, as in package
	// trial.
	handRelSD  = 0.2
	leastHandS = 0.3
	// streamHand is the stream of random numbers for it.
	streamHand = 300
	// inventedMostUM is the thickest target that the visible spectrometer of an invented
	// run sees well.
	inventedMostUM = 7
)

// sources are invented runs for a set-up. They are polished on well beyond the target, so
// that no stop comes too late to be seen.
func (v invented) sources(s setup.Setup, read *meter) ([]tuneSource, error) {
	targetUM := s.Target.ThicknessUM
	if !(targetUM > 0 && targetUM <= inventedMostUM) {
		return nil, usage(fmt.Errorf("--simulate: found target.thickness_um = %g in %s: above 0 and up to %d µm is allowed; make records of others with bluefringe simulate",
			targetUM, event.Clean(s.Name), inventedMostUM))
	}
	var list []tuneSource
	for i := range v.count {
		cfg := simulate.Default()
		seed := v.seed + uint64(i)
		applySetup(&cfg, s, seed)
		cfg.Seed = seed
		cfg.Job = fmt.Sprintf("invented: run of seed %d", seed)
		cfg.Die.ThicknessUM = targetUM + v.startUM
		cfg.Stop = simulate.Stop{DurationS: 7200, ThicknessUM: 0.7 * targetUM, LiftAfterS: 0, AfterLiftS: 1}
		if floorUM := s.Target.FloorUM; floorUM > 0 {
			cfg.Stop.ThicknessUM = math.Min(cfg.Stop.ThicknessUM, 0.9*floorUM)
		}
		made, err := json.Marshal(cfg)
		if err != nil {
			return nil, err
		}
		hand := rand.New(rand.NewPCG(seed, streamHand))
		list = append(list, tuneSource{
			name: fmt.Sprintf("simulated run, seed %d", seed), made: string(made),
			reactionS: math.Max(leastHandS, v.reactionS*(1+handRelSD*hand.NormFloat64())),
			open:      func() device.Source { return &inventedSource{cfg: cfg, meter: read} },
		})
	}
	return list, nil
}

// inventedSource is the simulator as a source.
type inventedSource struct {
	cfg   simulate.Config
	meter *meter
}

func (s *inventedSource) Name() string { return s.cfg.Job }

func (s *inventedSource) Run(ctx context.Context, emit func(device.Line) error) error {
	told := 0.0
	err := simulate.Run(ctx, s.cfg, func(body event.Body) error {
		if truth, ok := body.(event.Truth); ok {
			part := (s.cfg.Die.ThicknessUM - truth.ThicknessUM) / (s.cfg.Die.ThicknessUM - s.cfg.Stop.ThicknessUM)
			if part = math.Min(part, 1); part > told {
				s.meter.add(part - told)
				told = part
			}
		}
		line, err := event.Append(nil, body)
		if err != nil {
			return err
		}
		return emit(device.Line{Text: bytes.Clone(line)})
	})
	s.meter.add(1 - told)
	return err
}

// fetcher reads runs, through the cache where there is one.
type fetcher struct {
	view    view
	keep    func(key string, data []byte) error // nil: there is no cache
	kept    func(key string) ([]byte, bool)
	program string
	optics  string
	read    atomic.Int64 // runs whose optics were worked out
	again   atomic.Int64 // runs that came from the cache
	unkept  atomic.Pointer[error]
}

// fetch returns a run from the cache, or reads it and keeps it there.
func (f *fetcher) fetch(ctx context.Context, s tuneSource, m *meter) (*recording, error) {
	given, _, err := f.view.load()
	if err != nil {
		return nil, err
	}
	key := keyOf(f.program, f.optics, s.made)
	if f.kept != nil {
		if data, ok := f.kept(key); ok {
			if r, err := unpackRun(data, given); err == nil {
				f.again.Add(1)
				m.add(1)
				return r, nil
			}
		}
	}
	r, err := readRun(ctx, s.open(), f.view)
	if err != nil {
		return nil, err
	}
	f.read.Add(1)
	if f.keep != nil {
		data, err := packRun(r)
		if err == nil {
			err = f.keep(key, data)
		}
		if err != nil {
			f.unkept.Store(&err)
		}
	}
	return r, nil
}
