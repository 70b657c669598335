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
		Use:     "doctor",
		Short:   "help.doctor",
		Example: "  bayfill doctor --config bayfill.yaml",
		Long:    "help.doctor_more",
		Args:    cobra.NoArgs,
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
