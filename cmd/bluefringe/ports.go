package main

import (
	"fmt"

	"bluefringe/device"

	"github.com/spf13/cobra"
)

func newPorts(st streams) *cobra.Command {
	return &cobra.Command{
		Use:     "ports",
		Short:   "List the serial ports of this computer",
		Example: "  bluefringe ports",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			ports, err := device.Ports()
			if err != nil {
				return fmt.Errorf("list serial ports: %w", err)
			}
			if len(ports) == 0 {
				fmt.Fprintln(st.err, "bluefringe: no serial ports found: is the cable in?")
			}
			for _, name := range ports {
				if _, err := fmt.Fprintln(st.out, name); err != nil {
					return err
				}
			}
			return nil
		},
	}
}
