package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"slices"
	"syscall"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
	"bluefringe/tui"

	tea "github.com/charmbracelet/bubbletea"
)

// boardSink keeps what the screen draws.
type boardSink struct {
	board    *tui.Board
	snapshot tui.Snapshot
	session  *session
	realTime bool // wall time says how old the data are
	lost     bool // the source broke off

	forecasts map[string]guide.Forecast
	times     []float64 // run times of the newest spectra
}

func newBoardSink(board *tui.Board, s *session, realTime bool) *boardSink {
	b := &boardSink{board: board, session: s, realTime: realTime, forecasts: map[string]guide.Forecast{}}
	b.snapshot = tui.Snapshot{
		Source: s.source.Name(), State: tui.Waiting, History: new(tui.History),
		TargetUM: math.NaN(), FloorUM: math.NaN(), StartThicknessUM: math.NaN(),
	}
	if s.recorder != nil {
		b.snapshot.Recording = s.recorder.Path()
	}
	b.publish()
	return b
}

func (b *boardSink) publish() {
	if r := b.session.recorder; r != nil {
		if err := r.Err(); err != nil {
			b.snapshot.RecordError = err.Error()
		}
	}
	s := b.snapshot
	s.Sites = slices.Clone(s.Sites)
	b.board.Publish(s)
}

func (b *boardSink) opened(run event.Run, s setup.Setup) {
	b.snapshot.Job = run.Job
	b.snapshot.TargetUM, b.snapshot.FloorUM = s.Target.ThicknessUM, s.Target.FloorUM
}

func (b *boardSink) stepped(step guide.Step) error {
	s := &b.snapshot
	if !b.lost {
		s.State, s.StateText = tui.Live, ""
	}
	s.Step = step
	f := step.Forecast
	if !math.IsNaN(f.ThicknessUM) {
		b.forecasts[f.Site] = f
	}
	if thinnest, ok := b.forecasts[step.Advice.Site]; ok {
		s.Thinnest = &thinnest
	}
	edge := math.NaN()
	if e := step.Estimate; e != nil {
		s.Estimate = e
		edge = e.EdgeNM
		b.site(*e, f)
		b.rate(e.TimeS)
	}
	if !math.IsNaN(step.Advice.ThinnestUM) {
		if math.IsNaN(s.StartThicknessUM) {
			s.StartThicknessUM = step.Advice.ThinnestUM
		}
		sd := math.NaN()
		if s.Thinnest != nil {
			sd = s.Thinnest.SDUM
		}
		s.History.Add(tui.Point{TimeS: step.TimeS, ThicknessUM: step.Advice.ThinnestUM, SDUM: sd, EdgeNM: edge, Level: step.Advice.Level})
	}
	b.publish()
	return nil
}

func (b *boardSink) site(e guide.Estimate, f guide.Forecast) {
	s := tui.Site{Name: e.Site, ThicknessUM: f.ThicknessUM, SDUM: f.SDUM, TimeS: e.TimeS, Quality: e.Quality}
	position := b.session.opening.Sites[e.Site]
	s.XMM, s.YMM = position[0], position[1]
	for i := range b.snapshot.Sites {
		if b.snapshot.Sites[i].Name == e.Site {
			b.snapshot.Sites[i] = s
			return
		}
	}
	if e.Quality != estimate.Lost || !math.IsNaN(f.ThicknessUM) {
		b.snapshot.Sites = append(b.snapshot.Sites, s)
	}
}

func (b *boardSink) rate(timeS float64) {
	const newest = 20
	b.times = append(b.times, timeS)
	if len(b.times) > newest {
		b.times = slices.Delete(b.times, 0, 1)
	}
	if n := len(b.times); n > 1 && b.times[n-1] > b.times[0] {
		b.snapshot.Health.RateHz = float64(n-1) / (b.times[n-1] - b.times[0])
	}
}

func (b *boardSink) notice(text string) {
	b.snapshot.StateText = text
	b.publish()
}

func (b *boardSink) fault(err error) { b.snapshot.Health.LastFault = err.Error() }

func (b *boardSink) heard(c counts, at time.Time) {
	h := &b.snapshot.Health
	h.Spectra, h.BadLines, h.BadCRC, h.Refused, h.Skipped = c.spectra, c.badLines, c.badCRC, c.refused, c.skipped
	if b.realTime {
		b.snapshot.Received = at
	}
	b.publish()
}

// closed tells the screen how the session ended.
func (b *boardSink) closed(err error) {
	b.snapshot.State = tui.Ended
	if err != nil && !errors.Is(err, context.Canceled) {
		b.lost = true
		b.snapshot.State, b.snapshot.StateText = tui.LineLost, err.Error()
	}
	b.publish()
}

// runScreen runs a session under the full-screen view until the operator leaves.
func runScreen(ctx context.Context, s *session, options screenOptions, talk io.Writer) error {
	board := new(tui.Board)
	acknowledge := make(chan struct{}, 1)
	view := newBoardSink(board, s, options.realTime)
	s.sink = view
	if options.realTime {
		s.lost = view.closed
	}
	model := tui.New(board, tui.Options{Light: options.light, ASCII: options.ascii, Acknowledge: func() {
		select {
		case acknowledge <- struct{}{}:
		default:
		}
	}})
	teaOptions := []tea.ProgramOption{tea.WithAltScreen(), tea.WithContext(ctx), tea.WithFPS(30)}
	if options.keysFromTTY {
		teaOptions = append(teaOptions, tea.WithInputTTY())
	}
	program := tea.NewProgram(model, teaOptions...)

	// bubbletea restores the terminal on SIGINT and SIGTERM only.
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP, syscall.SIGQUIT)
	defer signal.Stop(hangup)

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan error, 1)
	go func() {
		err := s.run(ctx, acknowledge)
		view.closed(err)
		var c *crash
		if errors.As(err, &c) {
			program.Kill()
		}
		done <- err
	}()
	left := make(chan struct{})
	defer close(left)
	go func() {
		select {
		case <-hangup:
			program.Quit()
		case <-left:
		}
	}()

	_, err := program.Run()
	cancel()
	sessionErr := <-done
	if errors.Is(sessionErr, context.Canceled) {
		sessionErr = nil // the operator left
	}
	var c *crash
	if errors.As(sessionErr, &c) {
		return sessionErr
	}
	if err != nil && !errors.Is(err, tea.ErrInterrupted) && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("screen: %w", err)
	}
	if step := board.Latest().Step; view.snapshot.State != tui.Waiting {
		fmt.Fprintln(talk, tui.PlainLine(step))
	}
	return sessionErr
}

type screenOptions struct {
	light, ascii bool
	realTime     bool
	keysFromTTY  bool // standard input brings data
}
