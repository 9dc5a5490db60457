//go:build darwin && !cgo

package device

// usbPorts knows nothing: asking macOS takes cgo, which this program does without.
func usbPorts() []Port { return nil }
