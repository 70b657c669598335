package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/words"
)

func historyRefusedCommand(lang *languageFlag) *cobra.Command {
	var path, cart string
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "refused",
		Short:   "help.history_refused",
		Example: "  bayfill history refused",
		Long:    "help.history_refused_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			c, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			list, err := refusedLines(cmd.Context(), c, cart)
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]any{"refused": list})
			}
			printRefused(cmd.OutOrStdout(), reader, list)
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&path, "config", "c", configDefault(), configHelp)
	f.StringVar(&cart, "cart", "", "flag.cart")
	f.BoolVar(&asJSON, "json", false, "flag.json")
	return cmd
}

// refusedLine is a line that the history of a cart refused.
type refusedLine struct {
	Cart   string  `json:"cart"`
	Time   *string `json:"time"` // of the point, RFC 3339 in UTC; null when the line has none
	Reason string  `json:"reason"`
	Line   string  `json:"line"`
}

// refusedLines reads the dead letters of the named cart, or of all carts.
func refusedLines(ctx context.Context, c *config.Config, cart string) ([]refusedLine, error) {
	if cart != "" {
		if _, err := c.Cart(cart); err != nil {
			return nil, fmt.Errorf("--%w", err)
		}
	}
	list := []refusedLine{}
	for i := range c.Carts {
		name := c.Carts[i].Name
		if cart != "" && cart != name {
			continue
		}
		letters, err := deadLetters(ctx, c.JournalPath(name))
		if err != nil {
			return nil, err
		}
		for _, r := range letters {
			line := refusedLine{Cart: name, Reason: r.Reason, Line: r.Line}
			if ns, ok := r.AtNs(); ok {
				at := time.Unix(0, ns).UTC().Format(time.RFC3339Nano)
				line.Time = &at
			}
			list = append(list, line)
		}
	}
	return list, nil
}

func deadLetters(ctx context.Context, path string) ([]journal.Refused, error) {
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	return j.DeadLetters(ctx)
}

func printRefused(out io.Writer, reader words.Reader, list []refusedLine) {
	if len(list) == 0 {
		fmt.Fprintln(out, reader.Word("record.none_refused"))
	}
	for _, r := range list {
		at := reader.Word("record.no_time")
		if r.Time != nil {
			at = *r.Time
		}
		fmt.Fprintf(out, "%s  %s  %s\n  %s\n", r.Cart, at, printable(r.Reason), printable(r.Line))
	}
}
