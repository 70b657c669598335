package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"bayfill/sensors"
)

func portsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "ports",
		Short: "List the serial ports and the names to configure; opens none of them",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ports, err := sensors.Ports()
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			if len(ports) == 0 {
				fmt.Fprintln(out, "No serial port found. Plug the adapter in; pass it through to a virtual machine.")
				return nil
			}
			for _, p := range ports {
				fmt.Fprintln(out, p.Stable)
				if p.Stable != p.Device {
					fmt.Fprintf(out, "    now %s\n", p.Device)
				}
				if p.About != "" {
					fmt.Fprintf(out, "    %s\n", p.About)
				}
			}
			return nil
		},
	}
}

func listenCommand() *cobra.Command {
	var (
		line  string
		quiet bool
		o     sensors.ListenOptions
	)
	cmd := &cobra.Command{
		Use:   "listen PORT",
		Short: "Show what arrives at a port with the usual settings, and print the configuration that fits",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Settings = sensors.CommonSettings
			if line != "" {
				setting, err := sensors.ParseLineSettings(line)
				if err != nil {
					return fmt.Errorf("--line: %w", err)
				}
				o.Settings = []sensors.LineSettings{setting}
			}
			o.Ask = !quiet
			return sensors.Listen(cmd.Context(), args[0], o, cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&line, "line", "", `try only these settings, as in "9600 8N1"`)
	cmd.Flags().BoolVar(&quiet, "quiet", false, "only listen, send no queries")
	cmd.Flags().DurationVar(&o.For, "for", 2*time.Second, "how long to listen with each setting")
	cmd.Flags().IntVar(&o.UnitID, "unit-id", 1, "Modbus unit to query")
	return cmd
}
