package device

import (
	"cmp"
	"fmt"
	"slices"

	"go.bug.st/serial"
)

// Port is a serial port of this computer. What is not known of it is empty.
type Port struct {
	Name         string // to open it by
	VID, PID     string // of USB, four hex digits each
	Product      string
	Manufacturer string
	SerialNumber string
}

// Ports lists the serial ports of this computer, by name. On Linux it opens each
// built-in port for a moment, so call it only when asked to.
func Ports() ([]Port, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	return join(names, usbPorts()), nil
}

// join gives each name what is known of it.
func join(names []string, known []Port) []Port {
	ports := make([]Port, len(names))
	for i, name := range names {
		ports[i].Name = name
		if at := slices.IndexFunc(known, func(p Port) bool { return p.Name == name }); at >= 0 {
			ports[i] = known[at]
		}
	}
	slices.SortFunc(ports, func(a, b Port) int { return cmp.Compare(a.Name, b.Name) })
	return ports
}
