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
		Short: "Check everything that the bridge needs, and say what to do",
		Long: `Check everything that the bridge needs: configuration, secrets, data folder,
journals, ports, broker, history, clock, calibrations, service data. Each line says
ok, look (something to have a look at) or wrong, and what to do. The exit status is 1
when something is wrong. Run it as the user that the bridge runs as.

It does not disturb a running bridge: it leaves ports in use alone, connects to the
broker as a client of its own, and sends the history only a comment.`,
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
	cmd.Flags().StringVarP(&path, "config", "c", configDefault(), configHelp)
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
