package tui

import (
	"time"

	"github.com/charmbracelet/bubbles/help"
	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"

	"bluefringe/removal/advice"
	_ "bluefringe/tui/background" // before bubbletea asks a silent terminal
)

// Times of the screen.
const (
	tickEvery    = 100 * time.Millisecond
	cautionFor   = 20 * time.Second // the opening caution, unless a key is pressed
	interruptFor = 3 * time.Second  // in which a second ctrl+c leaves
	noticeFor    = 5 * time.Second  // how long an answer to a key stands
)

// Options are the settings of the screen; the zero value is usable.
type Options struct {
	// Now returns the wall time, time.Now when nil.
	Now func() time.Time
	// Acknowledge is called when the operator acknowledges a stop. It may
	// wait; nil takes the key away.
	Acknowledge func()
	// Light chooses the colours for a light background.
	Light bool
	// ASCII keeps every character on the screen within ASCII.
	ASCII bool
	// Renderer decides the colour profile, lipgloss.DefaultRenderer() when nil.
	Renderer *lipgloss.Renderer
}

// Model is the root of the watch screen.
type Model struct {
	board   *Board
	options Options
	keys    keyMap
	help    help.Model
	palette palette

	width, height int
	now           time.Time
	started       time.Time
	snapshot      Snapshot
	pictures      pictures

	caution     bool      // the opening caution still stands
	asking      bool      // "quit? y/n"
	helping     bool      // the help page is open
	interrupted time.Time // of the first ctrl+c
	notice      string    // answer to a key
	noticed     time.Time

	canvas *canvas // drawn into by draw alone
	frame  string  // the finished screen
}

// pictures is the part of the screen that the operator can freeze.
type pictures struct {
	frozen   bool
	snapshot Snapshot
	points   []Point
}

var _ tea.Model = Model{}

// New returns the watch screen over a board.
func New(board *Board, options Options) Model {
	if options.Now == nil {
		options.Now = time.Now
	}
	if options.Renderer == nil {
		options.Renderer = lipgloss.DefaultRenderer()
	}
	m := Model{
		board:   board,
		options: options,
		keys:    newKeyMap(),
		help:    help.New(),
		palette: newPalette(options.Renderer, options.Light),
		caution: true,
		canvas:  newCanvas(options.ASCII),
	}
	m.help.Styles = help.Styles{} // the canvas colours it
	m.help.ShortSeparator = "  "
	m.started = options.Now()
	m.look()
	m.draw()
	return m
}

// tickMsg asks for the next look at the board.
type tickMsg struct{}

// acknowledgedMsg says that the session took the acknowledgement.
type acknowledgedMsg struct{}

func tick() tea.Cmd {
	return tea.Tick(tickEvery, func(time.Time) tea.Msg { return tickMsg{} })
}

// Init implements tea.Model.
func (m Model) Init() tea.Cmd { return tick() }

// Update implements tea.Model.
func (m Model) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	var cmd tea.Cmd
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		m.width, m.height = max(msg.Width, 0), max(msg.Height, 0)
	case tickMsg:
		m.look()
		cmd = tick()
	case acknowledgedMsg:
		m.say("stop acknowledged")
	case tea.KeyMsg:
		m.look()
		cmd = m.press(msg)
	default:
		return m, nil
	}
	m.draw()
	return m, cmd
}

// View implements tea.Model. The frame was drawn by Update.
func (m Model) View() string { return m.frame }

// look takes the newest snapshot and the time.
func (m *Model) look() {
	before := m.snapshot.level()
	m.now = m.options.Now()
	m.snapshot = m.board.Latest()
	level := m.snapshot.level()
	m.keys.acknowledge.SetEnabled(m.options.Acknowledge != nil && !m.asking &&
		m.snapshot.State != Waiting && level == advice.Stop)
	if m.pictures.frozen && level > before && level >= advice.Blind {
		m.pictures.frozen = false
		m.say("pictures run again: the advice changed")
	}
	if m.pictures.frozen {
		return
	}
	m.pictures.snapshot = m.snapshot
	m.pictures.points = m.snapshot.History.Points(m.pictures.points[:0], timeWindow(&m.snapshot).lo)
}

// say shows the answer to a key for a while.
func (m *Model) say(s string) { m.notice, m.noticed = s, m.now }

// press handles a key.
func (m *Model) press(msg tea.KeyMsg) tea.Cmd {
	m.caution = false
	if !key.Matches(msg, m.keys.interrupt) {
		m.interrupted = time.Time{}
	}
	switch {
	case key.Matches(msg, m.keys.interrupt):
		if m.asking || !m.interrupted.IsZero() && m.now.Sub(m.interrupted) < interruptFor {
			return tea.Quit
		}
		m.interrupted = m.now
	case key.Matches(msg, m.keys.yes):
		return tea.Quit
	case m.asking: // any other key means no
		m.ask(false)
	case key.Matches(msg, m.keys.quit):
		if m.snapshot.State != Live && m.snapshot.State != LineLost || !m.snapshot.Step.Forecast.Contact {
			return tea.Quit
		}
		m.ask(true)
	case key.Matches(msg, m.keys.freeze):
		m.pictures.frozen = !m.pictures.frozen
		m.notice = ""
		m.look()
	case key.Matches(msg, m.keys.help):
		m.helping = !m.helping
	case m.helping && msg.Type == tea.KeyEsc:
		m.helping = false
	case key.Matches(msg, m.keys.acknowledge):
		acknowledge := m.options.Acknowledge
		return func() tea.Msg {
			acknowledge()
			return acknowledgedMsg{}
		}
	}
	return nil
}

// ask opens or closes the question before quitting.
func (m *Model) ask(on bool) {
	m.asking = on
	m.keys.asking(on)
	m.look()
}
