package device

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"go.bug.st/serial"
)

// ErrUnplugged says that a serial port went away while it was read.
var ErrUnplugged = errors.New("the serial port went away: check the cable and the power of the instrument")

// readTimeout is how long a read may hold up the end of a run.
const readTimeout = 100 * time.Millisecond

// Serial reads lines from a serial port, 8 data bits, no parity, 1 stop bit,
// no handshake. Opening a port halfway through a line makes the first line
// garbage; it is handed on like any other. When the port goes away, Run
// returns an error that is ErrUnplugged, also where the system reports it as
// closed; an end of ctx is never reported so. An unplugged adapter of which the
// system says nothing shows only as silence.
func Serial(port string, baud int) Source {
	return &serialSource{port: port, baud: baud}
}

// Ports lists the serial ports of this computer. On Linux it opens each
// built-in port for a moment, so call it only when asked to.
func Ports() ([]string, error) {
	ports, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	return ports, nil
}

type serialSource struct {
	port string
	baud int
}

func (s *serialSource) Name() string { return fmt.Sprintf("%s at %d baud", s.port, s.baud) }

func (s *serialSource) Run(ctx context.Context, emit func(Line) error) error {
	if s.baud <= 0 {
		return fmt.Errorf("serial port %s: found a speed of %d baud, a number above 0 is allowed", s.port, s.baud)
	}
	port, err := serial.Open(s.port, &serial.Mode{BaudRate: s.baud})
	if err != nil {
		return openError(s.port, err)
	}
	// This goroutine is the only one to touch the port, so that closing cannot
	// race with a read.
	defer port.Close()
	if err := port.SetReadTimeout(readTimeout); err != nil {
		return fmt.Errorf("serial port %s: %w", s.port, err)
	}
	lines := newFramer(ctx, emit)
	chunk := make([]byte, 32<<10)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, readErr := port.Read(chunk) // (0, nil) is a timeout
		if err := lines.feed(chunk[:n]); err != nil {
			return err
		}
		if readErr == nil {
			continue
		}
		if err := lines.finish(); err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		return fmt.Errorf("serial port %s: %w (%w)", s.port, ErrUnplugged, readErr)
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
		case serial.InvalidSerialPort:
			advice = "it is not a serial port; `bluefringe ports` lists the ports"
		}
	case errors.Is(err, fs.ErrNotExist):
		advice = "there is no such port: " + advice
	}
	return fmt.Errorf("open serial port %s: %s (%w)", port, advice, err)
}
