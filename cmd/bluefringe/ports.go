package main

import (
	"fmt"
	"strings"

	"bluefringe/device"
	"bluefringe/device/event"

	"github.com/spf13/cobra"
)

func newPorts(st streams) *cobra.Command {
	return &cobra.Command{
		Use:   "ports",
		Short: "List the serial ports of this computer",
		Long: `List the serial ports of this computer, one a line: the name to give to watch --serial,
then, where the system tells, what is on USB there: vendor:product, maker, product and
serial number, separated by tabs. (macOS does not tell.)

The name of a USB port may change when it is plugged in again. On Linux, the links in
/dev/serial/by-id keep theirs: watch one of those, and it is found again.`,
		Example: `  bluefringe ports
  bluefringe ports | cut -f1`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			ports, err := device.Ports()
			if err != nil {
				return err
			}
			if len(ports) == 0 {
				fmt.Fprintln(st.err, "bluefringe: no serial ports found: is the cable in?")
			}
			for _, p := range ports {
				if _, err := fmt.Fprintln(st.out, portLine(p)); err != nil {
					return err
				}
			}
			return nil
		},
	}
}

// portLine is the name of a port and what USB says of it. What a device says of
// itself is text from outside.
func portLine(p device.Port) string {
	fields := []string{p.Name}
	if p.VID != "" || p.PID != "" {
		fields = append(fields, "usb "+p.VID+":"+p.PID, p.Manufacturer, p.Product, p.SerialNumber)
	}
	for i := range fields {
		fields[i] = event.Clean(fields[i])
	}
	return strings.TrimRight(strings.Join(fields, "\t"), "\t")
}
