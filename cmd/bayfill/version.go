package main

import (
	"encoding/json"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"bayfill/bridge/build"
)

func versionCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "help.version",
		Long:    "help.version_more",
		Example: "  bayfill version --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b := build.Current()
			if asJSON {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(struct {
					Version string `json:"version"`
					build.Build
					Platform string `json:"platform"`
				}{build.Version, b, runtime.GOOS + "/" + runtime.GOARCH})
			}
			commit := "unknown (built outside of version control)"
			if b.Commit != "" {
				commit = b.Commit + " of " + b.Committed
			}
			if b.Modified {
				commit += ", with changes"
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "bayfill %s\ncommit  %s\ngo      %s %s/%s\n", build.Version, commit, b.Go, runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "flag.json")
	return cmd
}
