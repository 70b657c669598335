package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

type historyFillOptions struct {
	to         historyFlags
	journal    string
	shop, cart string
}

func historyFillCommand(lang *languageFlag) *cobra.Command {
	var o historyFillOptions
	cmd := &cobra.Command{
		Use:     "fill",
		Short:   "help.history_fill",
		Example: "  bayfill history fill --config bayfill.yaml",
		Long:    "help.history_fill_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			return o.run(cmd.Context(), reader, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.to.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.journal, "journal", "", "flag.journal_fill")
	f.StringVar(&o.shop, "shop", "", "flag.shop_job")
	f.StringVar(&o.cart, "cart", "", "flag.cart_fill")
	return cmd
}

func (o *historyFillOptions) run(ctx context.Context, reader words.Reader, out, errOut io.Writer) error {
	sources, err := o.sources()
	if err != nil {
		return err
	}
	server, err := o.to.history()
	if err != nil {
		return err
	}
	refused := 0
	for _, s := range sources {
		n, err := s.fill(ctx, reader, server, out, errOut)
		if err != nil {
			return err
		}
		refused += n
	}
	if refused > 0 {
		return words.NewError("usage.points_refused", "count", refused)
	}
	return nil
}

// fillSource is a journal whose points are sent.
type fillSource struct{ shop, cart, path string }

// sources are the journals that the flags name.
func (o *historyFillOptions) sources() ([]fillSource, error) {
	switch {
	case o.journal != "" && o.shop == "":
		return nil, words.NewError("usage.journal_shop")
	case o.journal != "" && o.cart == "":
		name := strings.TrimSuffix(filepath.Base(o.journal), filepath.Ext(o.journal))
		return []fillSource{{o.shop, name, o.journal}}, nil
	case o.journal != "":
		return []fillSource{{o.shop, o.cart, o.journal}}, nil
	case o.to.config == "":
		return nil, words.NewError("usage.one_of_two", "one", "--config", "other", "--journal")
	}
	c, err := config.Load(o.to.config)
	if err != nil {
		return nil, configError{err}
	}
	var sources []fillSource
	for i := range c.Carts {
		if name := c.Carts[i].Name; o.cart == "" || o.cart == name {
			sources = append(sources, fillSource{c.Shop, name, c.JournalPath(name)})
		}
	}
	if sources == nil {
		return nil, words.NewError("usage.no_cart", "typed", o.cart)
	}
	return sources, nil
}

// fill sends one journal and returns how many points the history refused.
func (s fillSource) fill(ctx context.Context, reader words.Reader, server config.History, out, errOut io.Writer) (refused int, err error) {
	p := newProgress(errOut)
	done, err := history.Fill(ctx, server, s.shop, s.cart, s.path, func(f history.Filled) {
		p.report(float64(f.Events)/float64(f.Of), reader.Say(fillcalc.Text{Key: "record.filling", Figures: figures{"count": float64(f.Points)}, Names: names{"cart": s.cart}}))
	})
	p.end()
	for _, r := range done.Refused {
		fmt.Fprintf(errOut, "%s\n  %s\n", reader.Say(fillcalc.Text{Key: "record.refused", Names: names{"reason": r.Reason}}), r.Line)
	}
	if err != nil {
		return 0, words.NewError("usage.fill_ended", "cart", s.cart, "events", done.Events, "of", done.Of, "why", err)
	}
	fmt.Fprintln(out, reader.Say(fillcalc.Text{Key: "record.filled", Figures: figures{"events": float64(done.Events), "count": float64(done.Points)}, Names: names{"cart": s.cart}}))
	return len(done.Refused), nil
}
