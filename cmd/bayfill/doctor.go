package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge"
	"bayfill/bridge/doctor"
	"bayfill/bridge/words"
	"bayfill/bridge/wrap"
)

const (
	doctorWidth  = 80
	doctorMargin = 7
)

func doctorCommand() *cobra.Command {
	var path string
	var lang languageFlag
	cmd := &cobra.Command{
		Use:     "doctor",
		Short:   "help.doctor",
		Example: "  bayfill doctor --config bayfill.yaml",
		Long:    "help.doctor_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			wrong := 0
			doctor.Examine(cmd.Context(), path, time.Now(), bridge.ClockSet, func(f doctor.Finding) {
				if f.Verdict == doctor.Wrong {
					wrong++
				}
				printFinding(cmd.OutOrStdout(), reader, f)
			})
			if wrong > 0 {
				return words.NewError("doctor.wrong", "count", wrong)
			}
			return nil
		},
	}
	cmd.Flags().StringVarP(&path, "config", "c", configDefault(), configHelp)
	lang.add(cmd.Flags())
	return cmd
}

// printFinding prints a paragraph with the verdict in its margin.
func printFinding(out io.Writer, r words.Reader, f doctor.Finding) {
	margin := fmt.Sprintf("%-*s", doctorMargin, r.Word("checked."+string(f.Verdict)))
	for _, line := range wrap.Lines(f.For(r), doctorWidth-doctorMargin+1) {
		fmt.Fprintf(out, "%s%s\n", margin, line)
		margin = strings.Repeat(" ", doctorMargin)
	}
}
