//go:build !darwin || cgo

package device

import "go.bug.st/serial/enumerator"

// usbPorts tells what the system says of the ports that are on USB: nothing where
// it does not say.
func usbPorts() []Port {
	list, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil // the names alone are better than nothing
	}
	var ports []Port
	for _, p := range list {
		if p.IsUSB {
			ports = append(ports, Port{Name: p.Name, VID: p.VID, PID: p.PID, Product: p.Product, Manufacturer: p.Manufacturer, SerialNumber: p.SerialNumber})
		}
	}
	return ports
}
