package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	identity "bayfill/bridge/names"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

func historyEraseCommand(lang *languageFlag) *cobra.Command {
	var path, technician, vehicle string
	cmd := &cobra.Command{
		Use:     "erase",
		Short:   "help.history_erase",
		Example: "  bayfill history erase --technician Ada",
		Long:    "help.history_erase_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (technician == "") == (vehicle == "") {
				return words.NewError("usage.one_of_two", "one", "--technician", "other", "--vehicle")
			}
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			c, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			tokens, err := c.Tokens(vehicle != "", technician+vehicle)
			if err != nil {
				return err
			}
			return eraseTokens(cmd.Context(), reader, c, tokens, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVarP(&path, "config", "c", configDefault(), configHelp)
	f.StringVar(&technician, "technician", "", "flag.technician")
	f.StringVar(&vehicle, "vehicle", "", "flag.vehicle")
	return cmd
}

// eraseTokens erases what the tokens of a name stand for.
func eraseTokens(ctx context.Context, reader words.Reader, c *config.Config, tokens []string, out io.Writer) error {
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
	fmt.Fprintln(out, reader.Say(fillcalc.Text{Key: "record.erased", Figures: figures{"journals": float64(len(journals)), "count": float64(points)}, Names: names{"token": identity.Who(tokens[0])}}))
	return nil
}
