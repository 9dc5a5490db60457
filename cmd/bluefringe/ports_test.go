package main

import (
	"testing"

	"bluefringe/device"
)

func TestPortLine(t *testing.T) {
	tests := map[string]device.Port{
		"/dev/ttyS0": {Name: "/dev/ttyS0"},
		"/dev/ttyUSB0\tusb 1A2B:3C4D\tInvented Optics\tlamp head\t0017": {Name: "/dev/ttyUSB0", VID: "1A2B", PID: "3C4D", Manufacturer: "Invented Optics", Product: "lamp head", SerialNumber: "0017"},
		"COM3\tusb 1A2B:3C4D":                {Name: "COM3", VID: "1A2B", PID: "3C4D"},
		"COM4\tusb 1A2B:3C4D\t\t\uFFFD[2J x": {Name: "COM4", VID: "1A2B", PID: "3C4D", Product: "\x1b[2J\tx"},
	}
	for want, port := range tests {
		if got := portLine(port); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
