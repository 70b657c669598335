package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
)

// jobSource is where a job is read from: the history, or journals.
type jobSource struct {
	from                historyFlags
	journal, shop, cart string
	opened              string
}

func (s *jobSource) add(cmd *cobra.Command) {
	s.from.add(cmd)
	f := cmd.Flags()
	f.Lookup("config").Usage = "flag.config_job"
	f.StringVar(&s.journal, "journal", "", "flag.journal")
	f.StringVar(&s.shop, "shop", "", "flag.shop_job")
	f.StringVar(&s.cart, "cart", "", "flag.cart_job")
	f.StringVar(&s.opened, "opened", "", "flag.opened")
}

// record reads a job.
func (s *jobSource) record(ctx context.Context, job string) (*audit.Record, error) {
	atNs, err := openedNs(s.opened)
	if err != nil {
		return nil, err
	}
	if s.journal != "" {
		return audit.FromJournal(ctx, s.journal, s.shop, s.cart, job, atNs)
	}
	if s.from.url == "" {
		c, err := s.from.load()
		if err != nil {
			return nil, err
		}
		if c.History.URL == "" {
			return s.fromJournals(ctx, c, job, atNs)
		}
	}
	history, err := s.from.history()
	if err != nil {
		return nil, err
	}
	store, err := audit.OpenStore(history)
	if err != nil {
		return nil, err
	}
	defer store.Close()
	return store.Record(ctx, job, atNs)
}

// fromJournals reads a job from the journals of the configured carts: the newest of that name.
func (s *jobSource) fromJournals(ctx context.Context, c *config.Config, job string, atNs int64) (newest *audit.Record, err error) {
	carts := c.Carts
	if s.cart != "" {
		one, err := c.Cart(s.cart)
		if err != nil {
			return nil, fmt.Errorf("--%w", err)
		}
		carts = []config.Cart{*one}
	}
	var none error
	for i := range carts {
		cart := carts[i].Name
		r, err := audit.FromJournal(ctx, c.JournalPath(cart), c.Shop, cart, job, atNs)
		switch {
		case errors.Is(err, audit.ErrNoJob), errors.Is(err, fs.ErrNotExist): // or the cart has not run yet
			none = cmp.Or(none, err)
		case err != nil:
			return nil, err
		case newest == nil || openingNs(r) > openingNs(newest):
			newest = r
		}
	}
	if newest == nil {
		return nil, none
	}
	return newest, nil
}

// openingNs returns when a job was opened.
func openingNs(r *audit.Record) int64 {
	if len(r.Points) == 0 {
		return 0
	}
	return r.Points[0].AtNs
}

// openedNs reads when a job was opened, in nanoseconds since 1970 UTC; 0: not given.
func openedNs(text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	at, err := time.Parse(audit.TimeLayout, text)
	if err != nil {
		return 0, fmt.Errorf("--opened: %w", err)
	}
	return at.UnixNano(), nil
}
