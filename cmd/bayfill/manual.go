package main

import (
	"os"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"bayfill/bridge/build"
)

// manualCommand writes the pages of man(1) for packages. Nobody else needs it, so help does
// not list it.
func manualCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "manual DIR",
		Short:   "help.manual",
		Example: "  bayfill manual man1",
		Hidden:  true,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := os.MkdirAll(args[0], 0o755); err != nil {
				return err
			}
			// Without a date of its own the library takes today's, and the same commit would give
			// other pages tomorrow.
			date, _ := time.Parse(time.RFC3339, build.Current().Committed)
			root := cmd.Root()
			root.DisableAutoGenTag = true
			return doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "bayfill " + build.Version, Manual: "bayfill", Date: &date}, args[0])
		},
	}
}
