package main

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
)

// closingSource is where closing records are read from: the history, or journals.
type closingSource struct {
	from                historyFlags
	journal, shop, cart string
}

func (s *closingSource) add(cmd *cobra.Command) {
	s.from.add(cmd)
	f := cmd.Flags()
	f.Lookup("config").Usage = "flag.config_job"
	f.StringVar(&s.journal, "journal", "", "flag.journal")
	f.StringVar(&s.shop, "shop", "", "flag.shop")
	f.StringVar(&s.cart, "cart", "", "flag.cart")
	apart(cmd, "journal", "influx-url")
}

// load reads the configuration. A journal and another server need none.
func (s *closingSource) load() (*config.Config, error) {
	if (s.journal != "" || s.from.url != "") && s.from.config == "" {
		return new(config.Config), nil
	}
	return s.from.load()
}

// selects reports whether the flags ask for a cart.
func (s *closingSource) selects(shop, cart string) bool {
	return (s.shop == "" || shop == s.shop) && (s.cart == "" || cart == s.cart)
}

// summaries reads all closing records.
func (s *closingSource) summaries(ctx context.Context, c *config.Config) ([]audit.Summary, error) {
	switch {
	case s.journal != "":
		shop, cart := s.ofJournal(c)
		return journalClosings(ctx, s.journal, shop, cart)
	case s.fromHistory(c):
		return s.historyClosings(ctx)
	}
	return configClosings(ctx, c)
}

// fromHistory reports whether the closing records come from a history.
func (s *closingSource) fromHistory(c *config.Config) bool {
	return s.journal == "" && (s.from.url != "" || c.History.URL != "")
}

// ofJournal returns the shop and the cart of the journal file.
func (s *closingSource) ofJournal(c *config.Config) (shop, cart string) {
	return cmp.Or(s.shop, c.Shop), strings.TrimSuffix(filepath.Base(s.journal), filepath.Ext(s.journal))
}

func (s *closingSource) historyClosings(ctx context.Context) ([]audit.Summary, error) {
	history, err := s.from.history()
	if err != nil {
		return nil, err
	}
	store, err := audit.OpenStore(history)
	if err != nil {
		return nil, err
	}
	defer store.Close()
	return store.Summaries(ctx, 0, math.MaxInt64, "")
}

// configClosings reads the closing records in the journals of all configured carts.
func configClosings(ctx context.Context, c *config.Config) (list []audit.Summary, err error) {
	for i := range c.Carts {
		cart := c.Carts[i].Name
		some, err := journalClosings(ctx, c.JournalPath(cart), c.Shop, cart)
		if err != nil && !errors.Is(err, fs.ErrNotExist) { // a cart that has not run yet has none
			return nil, err
		}
		list = append(list, some...)
	}
	return list, nil
}

func journalClosings(ctx context.Context, path, shop, cart string) (list []audit.Summary, err error) {
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	all, err := j.Closings(ctx)
	for i := range all {
		list = append(list, audit.SummaryOf(all[i], shop, cart))
	}
	return list, err
}
