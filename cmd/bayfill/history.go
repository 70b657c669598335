package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"
)

func historyCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "history",
		Short: "help.history",
	}
	var lang languageFlag
	lang.add(cmd.PersistentFlags())
	cmd.AddCommand(historyExportCommand(&lang), historyFillCommand(&lang), historyKeepCommand(&lang), historyRefusedCommand(&lang), historyEraseCommand(&lang))
	return cmd
}

const (
	sinceHelp = "flag.since"
	untilHelp = "flag.until"
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
