package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/wire/schema"
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
			names := []string{"asyncapi.yaml"}
			for _, leaf := range schema.Names() {
				names = append(names, leaf+".json")
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
				fmt.Fprintln(cmd.OutOrStdout(), strings.Join(append([]string{"asyncapi"}, schema.Names()...), "\n"))
				return nil
			}
			name := args[0] + ".json"
			if args[0] == "asyncapi" {
				name = names[0]
			}
			text, err := schema.File(name)
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
