package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge"
	"bayfill/bridge/doctor"
	"bayfill/bridge/wrap"
)

const (
	doctorWidth  = 80
	doctorMargin = 7
)

func doctorCommand() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "doctor",
		Short: "Look at all that the bridge needs, and say what to do",
		Long: `Look at all that the bridge needs, one by one: configuration, secrets, data
folder, journals, ports, broker, history, clock, calibrations, service data. Each
is ok, worth a look, or wrong, with what to do. The status is 1 when something is
wrong. Run it as the user that the bridge runs as.

A running bridge is not disturbed: ports in use are left alone, on the broker it
is another client, and to the history it sends a comment.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			wrong := 0
			doctor.Examine(cmd.Context(), path, time.Now(), bridge.ClockSet, func(f doctor.Finding) {
				if f.Verdict == doctor.Wrong {
					wrong++
				}
				printFinding(cmd.OutOrStdout(), f)
			})
			if wrong > 0 {
				return fmt.Errorf("%d wrong, see above", wrong)
			}
			return nil
		},
	}
	cmd.Flags().StringVarP(&path, "config", "c", "bayfill.yaml", configHelp)
	return cmd
}

// printFinding prints a paragraph with the verdict in its margin.
func printFinding(out io.Writer, f doctor.Finding) {
	margin := fmt.Sprintf("%-*s", doctorMargin, f.Verdict)
	for _, line := range wrap.Lines(f.Text, doctorWidth-doctorMargin+1) {
		fmt.Fprintf(out, "%s%s\n", margin, line)
		margin = strings.Repeat(" ", doctorMargin)
	}
}
