package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"
)

func historyCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "history",
		Short: "Export, fill, copy and erase points of the history in InfluxDB",
	}
	cmd.AddCommand(historyExportCommand(), historyFillCommand(), historyKeepCommand(), historyRefusedCommand(), historyEraseCommand())
	return cmd
}

const (
	momentHelp = "a number of days ago, or a date in UTC, as in 2026-01-31"
	untilHelp  = "end of the period; 0d is now"
)

// period reads the flags --since and --until, in nanoseconds since 1970 UTC.
func period(since, until string, now time.Time) (sinceNs, untilNs int64, err error) {
	if sinceNs, err = momentNs(since, now); err != nil {
		return 0, 0, fmt.Errorf("--since: %w", err)
	}
	if untilNs, err = momentNs(until, now); err != nil {
		return 0, 0, fmt.Errorf("--until: %w", err)
	}
	return sinceNs, untilNs, nil
}
