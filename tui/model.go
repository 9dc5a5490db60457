package tui

import (
	"slices"
	"time"

	"github.com/charmbracelet/bubbles/help"
	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"

	"bluefringe/removal/advice"
	_ "bluefringe/tui/background" // before bubbletea asks a silent terminal
)

// Times of the screen.
const (
	tickEvery   = 100 * time.Millisecond
	cautionFor  = 20 * time.Second // the opening caution, unless a key is pressed
	secondFor   = 3 * time.Second  // in which a second ctrl+c or ctrl+z counts
	noticeFor   = 5 * time.Second  // how long an answer to a key stands
	ringAgainIn = 3 * time.Second  // while a stop stands and the pad is on the die
)

// Options are the settings of the screen; the zero value is usable. Functions
// are called outside Update, so they may wait; where one is nil, its key is away.
type Options struct {
	// Now returns the wall time, time.Now when nil.
	Now func() time.Time
	// Acknowledge is called when the operator acknowledges a stop.
	Acknowledge func()
	// Note keeps a note of the operator about a moment of the run. What it says
	// is shown: where the note went.
	Note func(timeS float64, text string) (said string)
	// Copy gives a line of text to the clipboard. What it says is shown.
	Copy func(text string) (said string)
	// Bell rings once.
	Bell func()
	// Quiet starts with the bell off.
	Quiet bool
	// Light chooses the colours for a light background.
	Light bool
	// Contrast starts in black and white with the urgent inverse.
	Contrast bool
	// ASCII keeps every character on the screen within ASCII.
	ASCII bool
	// Controls are the keys of the command that guides the screen.
	Controls []Control
	// Renderer decides the colour profile, lipgloss.DefaultRenderer() when nil.
	Renderer *lipgloss.Renderer
}

// Model is the root of the watch screen.
type Model struct {
	board    *Board
	options  Options
	keys     keyMap
	controls []control
	queue    *callQueue // of the controls
	help     help.Model
	palette  palette

	width, height int
	now           time.Time
	started       time.Time
	snapshot      Snapshot // the newest: numbers and advice come from it alone
	choices       choices
	past          past
	scene         scene // what the pictures show
	axes          axes

	mode    mode
	page    int  // of the help, 0: closed
	caution bool // the opening caution still stands
	entry   entry
	entryS  float64   // moment that the note is about
	answers *control  // what the line typed goes to; nil: it is a note
	armed   string    // key whose second press within secondFor counts
	armedAt time.Time //
	notice  string    // answer to a key
	noticed time.Time
	rang    time.Time
	heard   Entry // the newest of the log at the last look

	canvas *canvas // drawn into by draw alone
	frame  string  // the finished screen
}

// choices is what the operator chose to see and hear.
type choices struct {
	windowS  float64 // length of the past against time; 0: the screen chooses
	fixed    bool    // axes stay as they are
	site     string  // whose pictures are shown; empty: the screen chooses
	picture  int     // which has the place, where not all fit
	silent   bool    // no bell
	contrast bool
}

// past is the state of pictures that do not show the present.
type past struct {
	held   bool
	frozen Snapshot // the newest when they were paused
	atS    float64  // moment shown; at or before frozen
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
		queue:   new(callQueue),
		help:    help.New(),
		choices: choices{silent: options.Quiet, contrast: options.Contrast},
		caution: true,
		canvas:  newCanvas(options.ASCII),
	}
	m.takeControls(options.Controls)
	m.palette = newPalette(options.Renderer, options.Light, options.Contrast)
	m.help.Styles = help.Styles{} // the canvas colours it
	m.help.ShortSeparator = "  "
	m.started = options.Now()
	m.look()
	m.draw()
	return m
}

// Messages to the model.
type (
	tickMsg         struct{}           // asks for the next look at the board
	acknowledgedMsg struct{}           // the session took the acknowledgement
	saidMsg         struct{ s string } // what a function of the options answered
	rangMsg         struct{}
)

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
		cmd = tea.Batch(m.look(), tick())
	case tea.ResumeMsg:
		cmd = m.look()
		m.armed = ""
		m.say("back from the shell; nothing was read or recorded meanwhile")
	case acknowledgedMsg:
		m.say("stop acknowledged")
	case saidMsg:
		m.say(msg.s)
	case tea.KeyMsg:
		cmds := []tea.Cmd{m.look()}
		for _, one := range m.apart(msg) {
			cmds = append(cmds, m.press(one))
		}
		cmd = tea.Batch(cmds...)
	default:
		return m, nil
	}
	m.enable()
	m.draw()
	return m, cmd
}

// View implements tea.Model. The frame was drawn by Update.
func (m Model) View() string { return m.frame }

// look takes the newest snapshot and the time, and returns what rings the bell
// if it is to ring.
func (m *Model) look() tea.Cmd {
	before, anew := m.snapshot.level(), m.snapshot.Host.Anew
	m.now = m.options.Now()
	m.snapshot = m.board.Latest()
	if m.snapshot.Host.HideNumbers {
		m.snapshot = m.snapshot.veiled()
	}
	jumped := m.snapshot.Host.Anew != anew
	if jumped || m.snapshot.Host.HideNumbers {
		m.past = past{}
	}
	level := m.snapshot.level()
	if m.past.held && level > before && level >= advice.Blind {
		m.run()
		m.say("pictures run again: the advice changed")
	}
	if m.choices.site != "" && m.snapshot.site(m.choices.site) == nil {
		m.choices.site = ""
	}
	m.compose()
	m.hear(jumped)
	m.enable()
	return m.ring()
}

// hear shows for a while what the line said since the last look; after a jump nothing is
// news.
func (m *Model) hear(jumped bool) {
	entries := m.scene.entries
	for _, e := range slices.Backward(entries) {
		if e == m.heard || jumped {
			break
		}
		if e.Kind == LineChanged {
			m.say(e.Text)
			break
		}
	}
	if n := len(entries); n > 0 {
		m.heard = entries[n-1]
	}
}

// stopStands tells whether the operator is being told to stop.
func stopStands(s *Snapshot) bool { return s.State != Waiting && s.level() == advice.Stop }

// ring rings the bell when a stop comes, and again while it stands and the pad
// is still on the die.
func (m *Model) ring() tea.Cmd {
	s := &m.snapshot
	if !stopStands(s) || s.State == Ended {
		m.rang = time.Time{}
		return nil
	}
	again := !m.rang.IsZero()
	if m.options.Bell == nil || again && (!s.Step.Forecast.Contact || s.Host.Still || m.now.Sub(m.rang) < ringAgainIn) {
		return nil
	}
	m.rang = m.now
	if m.choices.silent {
		return nil
	}
	bell := m.options.Bell
	return func() tea.Msg {
		bell()
		return rangMsg{}
	}
}

// say shows the answer to a key for a while.
func (m *Model) say(s string) { m.notice, m.noticed = s, m.now }
