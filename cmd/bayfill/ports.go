package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/words"
	"bayfill/sensors"
)

func portsCommand() *cobra.Command {
	var lang languageFlag
	cmd := &cobra.Command{
		Use:     "ports",
		Short:   "help.ports",
		Example: "  bayfill ports",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			ports, err := sensors.Ports()
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			simulated := simulatedPorts()
			for _, link := range simulated {
				fmt.Fprintf(out, "%s\n    %s\n", link, reader.Word("service.port_simulated"))
			}
			if len(ports)+len(simulated) == 0 {
				fmt.Fprintln(out, reader.Word("service.port_none"))
				return nil
			}
			for _, p := range ports {
				fmt.Fprintln(out, p.Stable)
				if p.Stable != p.Device {
					fmt.Fprintf(out, "    %s\n", reader.Fault(words.NewError("service.port_now", "device", p.Device)))
				}
				if p.About != "" {
					fmt.Fprintf(out, "    %s\n", p.About)
				}
			}
			return nil
		},
	}
	lang.add(cmd.Flags())
	return cmd
}

// simulatedPorts are the ports of a running bayfill sim, whose env file names their folder.
func simulatedPorts() (links []string) {
	for _, level := range []string{"*", "*/*"} {
		found, _ := filepath.Glob(filepath.Join(portsFolder(cmp.Or(os.Getenv("BAYFILL_SIM"), simFolder())), level))
		for _, link := range found {
			if info, err := os.Stat(link); err == nil && info.Mode()&os.ModeCharDevice != 0 {
				links = append(links, link)
			}
		}
	}
	return links
}

func listenCommand() *cobra.Command {
	var (
		line, record string
		quiet        bool
		recordFor    time.Duration
		lang         languageFlag
		o            sensors.ListenOptions
	)
	cmd := &cobra.Command{
		Use:     "listen PORT",
		Short:   "help.listen",
		Example: "  bayfill listen /dev/serial/by-id/scale",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			o.Say, o.Settings = reader.Say, sensors.CommonSettings
			if line != "" {
				setting, err := sensors.ParseLineSettings(line)
				if err != nil {
					return fmt.Errorf("--line: %w", err)
				}
				o.Settings = []sensors.LineSettings{setting}
			}
			o.Ask = !quiet
			if record == "" {
				return sensors.Listen(cmd.Context(), args[0], o, cmd.OutOrStdout())
			}
			return writeFile(record, func(w io.Writer) error {
				o.Record = &sensors.Recorder{Out: w, For: recordFor}
				return sensors.Listen(cmd.Context(), args[0], o, cmd.OutOrStdout())
			})
		},
	}
	lang.add(cmd.Flags())
	cmd.Flags().StringVar(&line, "line", "", "flag.line")
	cmd.Flags().BoolVar(&quiet, "quiet", false, "flag.quiet")
	cmd.Flags().DurationVar(&o.For, "for", 2*time.Second, "flag.for")
	cmd.Flags().StringVar(&record, "record", "", "flag.record")
	cmd.Flags().DurationVar(&recordFor, "record-for", 10*time.Second, "flag.record-for")
	cmd.Flags().IntVar(&o.UnitID, "unit-id", 1, "flag.unit-id")
	return cmd
}
