package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/wire/schema"
	"bayfill/bridge/words"
)

func schemaCommand() *cobra.Command {
	var into string
	cmd := &cobra.Command{
		Use:   "schema [NAME]",
		Short: "help.schema",
		Long:  "help.schema_more",
		Example: `  bayfill schema
  bayfill schema volumes
  bayfill schema --into schemas`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			known, names := []string{"asyncapi"}, []string{"asyncapi.yaml"}
			for _, leaf := range schema.Names() {
				known, names = append(known, leaf), append(names, leaf+".json")
			}
			switch {
			case into != "":
				if err := os.MkdirAll(into, 0o755); err != nil {
					return err
				}
				for _, name := range names {
					text, err := schema.File(name)
					if err != nil {
						return err
					}
					if err := os.WriteFile(filepath.Join(into, name), text, 0o644); err != nil {
						return err
					}
				}
				return nil
			case len(args) == 0:
				fmt.Fprintln(cmd.OutOrStdout(), strings.Join(known, "\n"))
				return nil
			}
			at := slices.Index(known, args[0])
			if at < 0 {
				return words.NewError("usage.not_listed", "typed", args[0], "choices", strings.Join(known, ", "))
			}
			text, err := schema.File(names[at])
			if err != nil {
				return err
			}
			_, err = cmd.OutOrStdout().Write(text)
			return err
		},
	}
	cmd.Flags().StringVar(&into, "into", "", "flag.into")
	return cmd
}
