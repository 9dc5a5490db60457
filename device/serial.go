package device

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"go.bug.st/serial"

	"bluefringe/device/codec"
	"bluefringe/device/event"
)

// ErrUnplugged says that a serial port went away while it was read.
var ErrUnplugged = errors.New("the serial port went away: check the cable and the power of the instrument")

// LostError is the Line that stands where a serial port went away and is tried
// again.
type LostError struct {
	Port string
	Err  error // ErrUnplugged and what the system said
}

func (e *LostError) Error() string {
	return fmt.Sprintf("serial port %s: %v; trying again until it is back", e.Port, e.Err)
}

func (e *LostError) Unwrap() error { return e.Err }

const (
	readTimeout   = 100 * time.Millisecond // how long a read may hold up the end of a run
	firstRetry    = 250 * time.Millisecond // doubles up to
	lastRetry     = 5 * time.Second
	writerTimeout = 200 * time.Millisecond // how long a stuck write may hold up the end
)

// SerialConfig says how a serial port is read.
type SerialConfig struct {
	Port string
	Line LineConfig
	// Decoder turns bytes into event lines; nil means they are event lines.
	Decoder codec.Decoder
	// Poll, when not empty, is sent on opening the port and then at every interval.
	Poll      []byte
	PollEvery time.Duration
	// Reconnect: a port that went away is tried again until ctx is done.
	Reconnect bool
	// Notice, when not nil, is told in the goroutine of Run that the port is back.
	Notice func(text string)
	// ClockS, when not nil, dates a note event that goes into the stream after a gap:
	// seconds since the start of the run. Leave it nil for a stream with times of its
	// own, where the gap shows.
	ClockS func() float64
}

// LineConfig is how bits go over the line.
type LineConfig struct {
	Baud     int
	DataBits int     // 5 to 8
	Parity   string  // one of Parities
	StopBits float64 // 1, 1.5 or 2
}

// DefaultLine is 8 data bits, no parity, 1 stop bit.
func DefaultLine(baud int) LineConfig {
	return LineConfig{Baud: baud, DataBits: 8, Parity: "none", StopBits: 1}
}

// parity is one line of the table of parities.
type parity struct {
	name  string
	value serial.Parity
}

func parities() []parity {
	return []parity{
		{"none", serial.NoParity}, {"odd", serial.OddParity}, {"even", serial.EvenParity},
		{"mark", serial.MarkParity}, {"space", serial.SpaceParity},
	}
}

// Parities lists the names of parities.
func Parities() []string {
	var names []string
	for _, p := range parities() {
		names = append(names, p.name)
	}
	return names
}

// Check says what is not allowed.
func (l LineConfig) Check() error {
	_, err := l.mode()
	return err
}

func (l LineConfig) mode() (*serial.Mode, error) {
	mode := &serial.Mode{BaudRate: l.Baud, DataBits: l.DataBits}
	switch {
	case l.Baud <= 0:
		return nil, fmt.Errorf("found a speed of %d baud, a number above 0 is allowed", l.Baud)
	case l.DataBits < 5 || l.DataBits > 8:
		return nil, fmt.Errorf("found %d data bits, 5 to 8 are allowed", l.DataBits)
	}
	switch l.StopBits {
	case 1:
		mode.StopBits = serial.OneStopBit
	case 1.5:
		mode.StopBits = serial.OnePointFiveStopBits
	case 2:
		mode.StopBits = serial.TwoStopBits
	default:
		return nil, fmt.Errorf("found %g stop bits: 1, 1.5 or 2 is allowed", l.StopBits)
	}
	for _, p := range parities() {
		if p.name == l.Parity {
			mode.Parity = p.value
			return mode, nil
		}
	}
	return nil, fmt.Errorf("found the parity %.40q: one of %s is allowed", l.Parity, strings.Join(Parities(), ", "))
}

// Serial reads from a serial port without handshake. Opening a port halfway
// through a line makes the first line garbage; event lines are handed on like any
// other, other codecs drop it. A port that cannot be opened at first ends Run; one
// that goes away later becomes a Line with a *LostError and is tried again, after
// 0.25 s and then at twice the interval up to 5 s, or, without Reconnect, ends Run
// with an error that is ErrUnplugged, also where the system reports it as closed.
// An end of ctx is never reported so. An unplugged adapter of which the system says
// nothing shows only as silence.
func Serial(config SerialConfig) Source {
	if config.Notice == nil {
		config.Notice = func(string) {}
	}
	return &serialSource{config}
}

type serialSource struct{ SerialConfig }

func (s *serialSource) Name() string { return fmt.Sprintf("%s at %d baud", s.Port, s.Line.Baud) }

func (s *serialSource) Run(ctx context.Context, emit func(Line) error) error {
	mode, err := s.Line.mode()
	if err != nil {
		return fmt.Errorf("serial port %s: %w", s.Port, err)
	}
	if len(s.Poll) > 0 && s.PollEvery <= 0 {
		return fmt.Errorf("serial port %s: found a poll every %v, an interval above 0 is allowed", s.Port, s.PollEvery)
	}
	port, err := serial.Open(s.Port, mode)
	if err != nil {
		return openError(s.Port, err)
	}
	lines := newFramer(ctx, s.Decoder, emit)
	var gap gap
	for {
		lost, err := s.connected(ctx, port, lines, &gap)
		switch {
		case err != nil:
			return err
		case !s.Reconnect:
			return fmt.Errorf("serial port %s: %w", s.Port, lost)
		}
		if gap.began.IsZero() {
			gap.began = time.Now()
			if err := emit(Line{Err: &LostError{Port: s.Port, Err: lost}}); err != nil {
				return err
			}
		}
		if port, err = s.reopen(ctx, mode, &gap); err != nil {
			return err
		}
	}
}

// gap is the time without the port. It ends with the first bytes after it: a port
// that opens and is dead is still gone.
type gap struct {
	began time.Time // zero: the port is there
	wait  time.Duration
}

// reopen tries until the port opens. Whatever keeps it from that may pass: rights
// come a moment after the device.
func (s *serialSource) reopen(ctx context.Context, mode *serial.Mode, gap *gap) (serial.Port, error) {
	for {
		gap.wait = min(max(firstRetry, 2*gap.wait), lastRetry)
		if err := sleep(ctx, gap.wait); err != nil {
			return nil, err
		}
		if port, err := serial.Open(s.Port, mode); err == nil {
			return port, nil
		}
	}
}

// back tells of the end of a gap, in words and, where it has a time, in the stream.
func (s *serialSource) back(gap *gap, lines *framer) error {
	if gap.began.IsZero() {
		return nil
	}
	text := fmt.Sprintf("serial port %s is back after %.1f s: what was sent meanwhile is lost", s.Port, time.Since(gap.began).Seconds())
	gap.began, gap.wait = time.Time{}, 0
	s.Notice(text)
	if s.ClockS == nil {
		return nil
	}
	return lines.emit(event.Append(nil, event.Note{TimeS: s.ClockS(), Text: event.Clean(text)}))
}

// connected reads an open port and closes it: lost says how it went away, err why
// the run is over. Only this goroutine reads and closes, so that closing cannot race
// with a read; polls have a goroutine of their own, which may wait for the line.
func (s *serialSource) connected(ctx context.Context, port serial.Port, lines *framer, gap *gap) (lost, err error) {
	writer := startPolling(ctx, port, s.Poll, s.PollEvery)
	defer func() {
		writer.stop(port)
		port.Close()
	}()
	if err := port.SetReadTimeout(readTimeout); err != nil {
		return nil, fmt.Errorf("serial port %s: %w", s.Port, err)
	}
	chunk := make([]byte, 32<<10)
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n, readErr := port.Read(chunk) // (0, nil) is a timeout
		if n > 0 {
			if err := s.back(gap, lines); err != nil {
				return nil, err
			}
		}
		if err := lines.feed(chunk[:n]); err != nil {
			return nil, err
		}
		if readErr == nil {
			readErr = writer.failed()
		}
		if readErr == nil {
			continue
		}
		if err := lines.finish(); err != nil {
			return nil, err
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		return fmt.Errorf("%w (%w)", ErrUnplugged, readErr), nil
	}
}

// poller sends a command at intervals.
type poller struct {
	cancel context.CancelFunc
	done   chan error // of capacity 1; nil when there is nothing to send
}

func startPolling(ctx context.Context, port serial.Port, command []byte, every time.Duration) *poller {
	if len(command) == 0 {
		return &poller{cancel: func() {}}
	}
	ctx, cancel := context.WithCancel(ctx)
	p := &poller{cancel: cancel, done: make(chan error, 1)}
	go func() { p.done <- poll(ctx, port, command, every) }()
	return p
}

// poll returns nil when ctx is done. A line that takes no bytes for longer than the
// interval skips polls, it does not queue them.
func poll(ctx context.Context, port serial.Port, command []byte, every time.Duration) error {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for ctx.Err() == nil {
		for rest := command; len(rest) > 0; {
			n, err := port.Write(rest)
			if err == nil && n == 0 {
				err = errors.New("the port takes no bytes")
			}
			if err != nil {
				return err
			}
			rest = rest[n:]
		}
		select {
		case <-ctx.Done():
		case <-ticker.C:
		}
	}
	return nil
}

// failed tells whether sending broke off.
func (p *poller) failed() error {
	select {
	case err := <-p.done:
		p.done = nil
		return err
	default:
		return nil
	}
}

// stop ends the goroutine. A write that is stuck in the system is freed by emptying
// the buffer; where the system does not do even that, the goroutine lasts until the
// port hangs up.
func (p *poller) stop(port serial.Port) {
	p.cancel()
	if p.done == nil {
		return
	}
	_ = port.ResetOutputBuffer() // the port may be gone
	late := time.NewTimer(writerTimeout)
	defer late.Stop()
	select {
	case <-p.done:
	case <-late.C:
	}
}

// openError says what to check.
func openError(port string, err error) error {
	advice := "check the name and the cable; `bluefringe ports` lists the ports"
	var portErr *serial.PortError
	switch {
	case errors.As(err, &portErr):
		switch portErr.Code() {
		case serial.PortBusy:
			advice = "another program holds it: close that first"
		case serial.PermissionDenied:
			advice = "your user may not open it: on Linux, join the group that owns the device (often dialout)"
		case serial.InvalidSpeed:
			advice = "the port does not offer this speed"
		case serial.InvalidDataBits, serial.InvalidParity, serial.InvalidStopBits:
			advice = "the port does not offer these data bits, parity or stop bits"
		case serial.InvalidSerialPort:
			advice = "it is not a serial port, or does not offer these settings; `bluefringe ports` lists the ports"
		}
	case errors.Is(err, fs.ErrNotExist):
		advice = "there is no such port: " + advice
	}
	return fmt.Errorf("open serial port %s: %s (%w)", port, advice, err)
}
