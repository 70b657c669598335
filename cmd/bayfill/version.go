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
		Use:   "version",
		Short: "Print which build of the program this is",
		Long: `Print the version, the commit that it was built from and when that was made, whether
files had changed since, and the Go version. The leaf about, each closing record and each
audit sheet name the same build.`,
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
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}
