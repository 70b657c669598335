package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

func historyEraseCommand() *cobra.Command {
	var path, technician, vehicle string
	cmd := &cobra.Command{
		Use:     "erase",
		Short:   "help.history_erase",
		Example: "  bayfill history erase --technician Ada",
		Long:    "help.history_erase_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (technician == "") == (vehicle == "") {
				return errors.New("either --technician or --vehicle is needed")
			}
			c, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			token, err := c.Token(vehicle != "", technician+vehicle)
			if err != nil {
				return err
			}
			return eraseToken(cmd.Context(), c, token, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVarP(&path, "config", "c", configDefault(), configHelp)
	f.StringVar(&technician, "technician", "", "flag.technician")
	f.StringVar(&vehicle, "vehicle", "", "flag.vehicle")
	return cmd
}

// eraseToken erases what a token stands for.
func eraseToken(ctx context.Context, c *config.Config, token string, out io.Writer) error {
	journals := 0
	for i := range c.Carts {
		erased, err := journal.EraseName(ctx, c.JournalPath(c.Carts[i].Name), token)
		if err != nil {
			return err
		}
		if erased {
			journals++
		}
	}
	points := 0
	if c.History.URL != "" {
		store, err := audit.OpenStore(c.History)
		if err != nil {
			return err
		}
		defer store.Close()
		if points, err = store.Erase(ctx, token); err != nil {
			return err
		}
	}
	fmt.Fprintf(out, "%s: erased from %d journals and %d points of the history\n", token, journals, points)
	return nil
}
