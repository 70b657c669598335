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
	identity "bayfill/bridge/names"
)

func historyEraseCommand() *cobra.Command {
	var path, technician, vehicle string
	cmd := &cobra.Command{
		Use:   "erase",
		Short: "Erase the name of a technician or a vehicle from journals and history",
		Long: `Erase the name of a technician or a vehicle from the journals of the
configuration's carts and from the history. The events never held it, only a token
made with the key in the data folder, so audits give the same result as before.

It does not reach copies that were made elsewhere, notes that somebody wrote, and
the job that the broker retains until the next one; a running bridge remembers
names until it is restarted.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (technician == "") == (vehicle == "") {
				return errors.New("either --technician or --vehicle is needed")
			}
			c, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			tokens, err := c.Tokens(vehicle != "", technician+vehicle)
			if err != nil {
				return err
			}
			return eraseTokens(cmd.Context(), c, tokens, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVarP(&path, "config", "c", "bayfill.yaml", configHelp)
	f.StringVar(&technician, "technician", "", "name of a technician, as given in commands")
	f.StringVar(&vehicle, "vehicle", "", "name of a vehicle, as given in commands")
	return cmd
}

// eraseTokens erases what the tokens of a name stand for.
func eraseTokens(ctx context.Context, c *config.Config, tokens []string, out io.Writer) error {
	var store *audit.Store
	if c.History.URL != "" {
		var err error
		if store, err = audit.OpenStore(c.History); err != nil {
			return err
		}
		defer store.Close()
	}
	journals, points := map[string]bool{}, 0
	for _, token := range tokens {
		for i := range c.Carts {
			path := c.JournalPath(c.Carts[i].Name)
			erased, err := journal.EraseName(ctx, path, token)
			if err != nil {
				return err
			}
			if erased {
				journals[path] = true
			}
		}
		if store != nil {
			n, err := store.Erase(ctx, token)
			if err != nil {
				return err
			}
			points += n
		}
	}
	fmt.Fprintf(out, "%s: erased from %d journals and %d points of the history\n", identity.Who(tokens[0]), len(journals), points)
	return nil
}
