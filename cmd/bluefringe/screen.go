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
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
	"bluefringe/tui"
	"bluefringe/tui/terminal"

	tea "github.com/charmbracelet/bubbletea"
)

// boardSink keeps what the screen draws.
type boardSink struct {
	board    *tui.Board
	snapshot tui.Snapshot
	session  *session
	realTime bool // wall time says how old the data are
	quiet    bool // who owns it publishes
	sites    map[string][2]float64
	lost     bool // the source broke off

	forecasts map[string]guide.Forecast
	times     []float64 // run times of the newest spectra
	level     advice.Level
	contact   bool
	begun     bool
}

// siteHistories bounds how many places get a history of their own: a run names
// its sites, and may name any number.
const siteHistories = 32

func newBoardSink(board *tui.Board, s *session, realTime bool) *boardSink {
	b := &boardSink{board: board, session: s, realTime: realTime, forecasts: map[string]guide.Forecast{}}
	b.snapshot = tui.Snapshot{
		Source: s.source.Name(), State: tui.Waiting,
		History: new(tui.History), Album: new(tui.Album), Log: new(tui.Log),
		TargetUM: math.NaN(), FloorUM: math.NaN(), StartThicknessUM: math.NaN(),
	}
	if s.recorder != nil {
		b.snapshot.Recording = s.recorder.Path()
	}
	b.publish()
	return b
}

// publish shows what is new.
func (b *boardSink) publish() {
	if !b.quiet {
		b.show()
	}
}

// show puts a copy on the board and returns it.
func (b *boardSink) show() tui.Snapshot {
	if r := b.session.recorder; r != nil {
		if err := r.Err(); err != nil {
			b.snapshot.RecordError = err.Error()
		}
	}
	s := b.snapshot
	s.Sites = slices.Clone(s.Sites)
	b.board.Publish(s)
	return s
}

func (b *boardSink) opened(run event.Run, s setup.Setup) {
	b.snapshot.Job, b.sites = run.Job, run.Sites
	b.snapshot.TargetUM, b.snapshot.FloorUM = s.Target.ThicknessUM, s.Target.FloorUM
}

func (b *boardSink) stepped(step guide.Step) error {
	s := &b.snapshot
	if !b.lost {
		s.State, s.StateText = tui.Live, ""
	}
	s.Step = step
	if b.realTime {
		s.Stepped = time.Now()
	}
	f := step.Forecast
	if !math.IsNaN(f.ThicknessUM) {
		b.forecasts[f.Site] = f
	}
	if thinnest, ok := b.forecasts[step.Advice.Site]; ok {
		s.Thinnest = &thinnest
	}
	b.log(step)
	if e := step.Estimate; e != nil {
		if pictured(e) {
			s.Estimate = e
			s.Album.Add(e)
		}
		b.site(step)
		b.rate(e.TimeS)
	}
	if !math.IsNaN(step.Advice.ThinnestUM) {
		if math.IsNaN(s.StartThicknessUM) {
			s.StartThicknessUM = step.Advice.ThinnestUM
		}
		// The forecast of the thinnest place may be some steps old, its thickness is of now.
		of := f
		if s.Thinnest != nil {
			of = *s.Thinnest
		}
		p := point(step, of, step.Advice.Site)
		p.ThicknessUM = step.Advice.ThinnestUM
		s.History.Add(p)
	}
	b.publish()
	return nil
}

// pictured tells whether an estimate has its pictures: those of a long replay do not fit
// into memory, and the screen then shows the newest that do, with their age.
func pictured(e *guide.Estimate) bool { return len(e.Picture.WavelengthNM) > 0 }

// point is one moment of a place; what a spectrum of another place says is left out.
func point(step guide.Step, f guide.Forecast, site string) tui.Point {
	p := tui.Point{TimeS: step.TimeS, ThicknessUM: f.ThicknessUM, SDUM: f.SDUM, RateUMMin: f.RateUMMin,
		ToTargetS: f.ToTargetS, EdgeNM: math.NaN(), EdgeExpectedNM: math.NaN(),
		Quality: estimate.Lost, Level: step.Advice.Level}
	if e := step.Estimate; e != nil && e.Site == site {
		p.EdgeNM, p.EdgeExpectedNM, p.Quality = e.EdgeNM, e.Picture.EdgeExpectedNM, e.Quality
	}
	return p
}

// log keeps what changed since the step before.
func (b *boardSink) log(step guide.Step) {
	l := b.snapshot.Log
	if touching := step.Forecast.Contact; touching != b.contact || !b.begun {
		words := "pad lifted"
		if touching {
			words = "pad on the die"
		}
		l.Add(tui.Entry{TimeS: step.TimeS, Kind: tui.PadMoved, Text: words})
		b.contact = touching
	}
	if a := step.Advice; a.Level != b.level || !b.begun {
		l.Add(tui.Entry{TimeS: step.TimeS, Kind: tui.AdviceChanged, Level: a.Level, Text: a.Level.String() + ": " + a.Reason})
		b.level = a.Level
	}
	b.begun = true
}

// site keeps what a spectrum says of its place.
func (b *boardSink) site(step guide.Step) {
	e, f := step.Estimate, step.Forecast
	sites := b.snapshot.Sites
	i := slices.IndexFunc(sites, func(s tui.Site) bool { return s.Name == e.Site })
	if i < 0 {
		if e.Quality == estimate.Lost && math.IsNaN(f.ThicknessUM) {
			return
		}
		position := b.sites[e.Site]
		s := tui.Site{Name: e.Site, XMM: position[0], YMM: position[1]}
		if len(sites) < siteHistories {
			s.History = new(tui.History)
		}
		i = len(sites)
		sites = append(sites, s)
	}
	s := &sites[i]
	s.ThicknessUM, s.SDUM, s.TimeS, s.Quality = f.ThicknessUM, f.SDUM, e.TimeS, e.Quality
	s.Forecast, s.Disagreement = f, step.Disagreement
	if pictured(e) || s.Estimate == nil {
		s.Estimate = e
	}
	if s.History != nil {
		s.History.Add(point(step, f, e.Site))
	}
	b.snapshot.Sites = sites
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
	b.snapshot.Log.Add(tui.Entry{TimeS: b.snapshot.Step.TimeS, Kind: tui.LineChanged, Text: text})
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

// noted brings a note that came with the stream.
func (b *boardSink) noted(n event.Note) {
	b.snapshot.Log.Add(tui.Entry{TimeS: n.TimeS, Kind: tui.NoteMade, Text: n.Text})
	b.publish()
}

// closed tells the screen how the session ended.
func (b *boardSink) closed(err error) {
	b.snapshot.State = tui.Ended
	if err != nil && !errors.Is(err, context.Canceled) {
		b.lost = true
		b.snapshot.State, b.snapshot.StateText = tui.LineLost, err.Error()
		b.snapshot.Log.Add(tui.Entry{TimeS: b.snapshot.Step.TimeS, Kind: tui.LineChanged, Text: "line lost: " + err.Error()})
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
	answers := operator{session: s, board: board, log: view.snapshot.Log, out: os.Stdout, acknowledge: acknowledge}
	keys := tui.Options{Acknowledge: answers.acknowledged, Note: answers.note, Copy: answers.copy, Bell: answers.bell}
	return runUnder(ctx, board, keys, options, talk, func(ctx context.Context) error {
		err := s.run(ctx, acknowledge)
		view.closed(err)
		return err
	})
}

// runUnder does some work under the full-screen view of a board until the operator
// leaves; the work may end before. keys says what the keys of the screen reach. work must
// turn its panics into errors (guarded).
func runUnder(ctx context.Context, board *tui.Board, keys tui.Options, options screenOptions, talk io.Writer, work func(context.Context) error) error {
	light, late := options.background()
	keys.Light, keys.ASCII, keys.Contrast, keys.Quiet = light, options.ascii, options.contrast, options.quiet
	model := tui.New(board, keys)
	// The mouse stays with the terminal, so that text can be selected.
	teaOptions := []tea.ProgramOption{tea.WithAltScreen(), tea.WithContext(ctx), tea.WithFPS(picturesPerS)}
	if late {
		teaOptions = append(teaOptions, tea.WithFilter(deafUntil(time.Now().Add(deafFor))))
	}
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
		err := work(ctx)
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
	workErr := <-done
	if errors.Is(workErr, context.Canceled) {
		workErr = nil // the operator left
	}
	var c *crash
	if errors.As(workErr, &c) {
		return workErr
	}
	if err != nil && !errors.Is(err, tea.ErrInterrupted) && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("screen: %w", err)
	}
	if s := board.Latest(); s.State != tui.Waiting && !s.Host.HideNumbers {
		fmt.Fprintln(talk, tui.PlainLine(s.Step))
	}
	return workErr
}

// picturesPerS is the most that is drawn, whatever comes in.
const picturesPerS = 10

// deafFor is how long keys are ignored where the terminal did not answer a
// question: its answer, come late, would be taken for keys.
const deafFor = 2 * time.Second

// deafUntil drops keys until a time, all but ctrl+c.
func deafUntil(end time.Time) func(tea.Model, tea.Msg) tea.Msg {
	return func(_ tea.Model, msg tea.Msg) tea.Msg {
		if k, ok := msg.(tea.KeyMsg); ok && k.Type != tea.KeyCtrlC && time.Now().Before(end) {
			return nil
		}
		return msg
	}
}

type screenOptions struct {
	light, dark, ascii bool // neither light nor dark: the terminal is asked
	contrast, quiet    bool
	realTime           bool
	keysFromTTY        bool // standard input brings data
}

// background settles whether the terminal is light, before the screen is taken
// over. late tells that an answer of the terminal may still come.
func (o *screenOptions) background() (light, late bool) {
	known := terminal.FromEnvironment(os.Getenv)
	switch {
	case o.light || o.dark:
		return o.light, false
	case known != terminal.Unknown:
		return known == terminal.Light, false
	case terminal.Silent(os.Getenv) || os.Getenv("NO_COLOR") != "":
		return false, false
	}
	wait := terminal.Wait
	if os.Getenv("SSH_CONNECTION") != "" {
		wait = terminal.WaitRemote
	}
	known, late = terminal.Ask(wait)
	return known == terminal.Light, late
}

// operator is what the keys of the screen reach.
type operator struct {
	session     *session
	board       *tui.Board
	log         *tui.Log
	out         io.Writer // the terminal
	acknowledge chan<- struct{}
}

// acknowledged releases a stop, and says so in the record.
func (o *operator) acknowledged() {
	select {
	case o.acknowledge <- struct{}{}:
	default:
	}
	o.note(o.board.Latest().Step.TimeS, "stop acknowledged")
}

// note keeps a note in the record and on the screen.
func (o *operator) note(timeS float64, text string) (said string) {
	o.log.Add(tui.Entry{TimeS: timeS, Kind: tui.NoteMade, Text: text})
	r := o.session.recorder
	if r == nil {
		return "the note is on the screen only: nothing is being recorded"
	}
	line, err := event.Append(nil, event.Note{TimeS: timeS, Text: text})
	if err != nil {
		return "note not kept: " + err.Error()
	}
	r.Append(line)
	if err := r.Err(); err != nil {
		return "note not kept: " + err.Error()
	}
	return "note kept in " + r.Path()
}

func (o *operator) copy(text string) (said string) { return terminal.Copy(o.out, os.Getenv, text) }

func (o *operator) bell() { io.WriteString(o.out, "\a") }
