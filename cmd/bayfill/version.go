package main

import (
	"encoding/json"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"bayfill/bridge/build"
	"bayfill/fillcalc"
)

func versionCommand() *cobra.Command {
	var asJSON bool
	var lang languageFlag
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
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			commit := reader.Word("usage.no_commit")
			if b.Commit != "" {
				commit = reader.Say(fillcalc.Text{Key: "usage.commit", Names: names{"commit": b.Commit, "committed": b.Committed}})
			}
			if b.Modified {
				commit += reader.Word("usage.with_changes")
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "bayfill %s\ncommit  %s\ngo      %s %s/%s\n", build.Version, commit, b.Go, runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
	lang.add(cmd.Flags())
	cmd.Flags().BoolVar(&asJSON, "json", false, "flag.json")
	return cmd
}
