package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/points"
	"bayfill/bridge/recordkey"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// jobSource is where a job is read from: the history, or journals.
type jobSource struct {
	from                historyFlags
	journal, shop, cart string
	opened              string
	asks                bool // which of several jobs of a name is meant, instead of taking the newest
	namesKey            string
	keys                []string
}

func (s *jobSource) add(cmd *cobra.Command) {
	s.from.add(cmd)
	f := cmd.Flags()
	f.Lookup("config").Usage = "flag.config_job"
	f.StringVar(&s.journal, "journal", "", "flag.journal")
	f.StringVar(&s.shop, "shop", "", "flag.shop_job")
	f.StringVar(&s.cart, "cart", "", "flag.cart_job")
	f.StringArrayVar(&s.keys, "key", nil, "flag.key")
	f.StringVar(&s.namesKey, "names-key", "", "flag.names-key")
	f.StringVar(&s.opened, "opened", "", "flag.opened")
}

// audited reads a job and checks it. An error is a [notAudited] or one in the configuration.
func (s *jobSource) audited(ctx context.Context, job string, reader words.Reader, errOut io.Writer) (*audit.Record, *audit.Report, error) {
	record, err := s.record(ctx, job)
	var trust audit.Trust
	if err == nil {
		trust, err = s.trust(ctx, record.Cart, reader, errOut)
	}
	var config configError
	switch {
	case errors.As(err, &config):
		return nil, nil, err
	case errors.Is(err, audit.ErrNoJob):
		return nil, nil, notAudited{words.NewError("usage.list_jobs", "why", err)}
	case err != nil:
		return nil, nil, notAudited{err}
	case record.NoNames != nil:
		fmt.Fprintln(errOut, reader.Fault(words.NewError("record.only_tokens", "why", record.NoNames)))
	}
	return record, audit.Check(record, trust), nil
}

// trust reads the keys and the copies of a cart's closing records that are at hand.
func (s *jobSource) trust(ctx context.Context, cart string, reader words.Reader, errOut io.Writer) (t audit.Trust, err error) {
	c := &config.Config{Data: filepath.Dir(s.journal)}
	switch {
	case s.from.config != "" || s.journal == "" && s.from.url == "":
		if c, err = s.from.load(); err != nil {
			return t, err
		}
	case s.journal == "":
		c.Data = "" // another server, and nothing of this shop
	}
	if s.namesKey != "" {
		c.Identities.Key = config.Secret{File: s.namesKey}
	}
	if c.Data != "" || s.namesKey != "" {
		if t.NameKey, err = c.NameKey(); err != nil {
			return t, configError{err}
		}
	}
	for _, key := range s.keys {
		if _, err := recordkey.Parse(key); err != nil {
			return t, configError{fmt.Errorf("--key: %w", err)}
		}
	}
	if t.Keys = s.keys; len(t.Keys) == 0 && c.Data != "" {
		if t.Keys, err = c.TrustedKeys(); err != nil {
			return t, configError{err}
		}
	}
	t.Copies, err = s.copies(ctx, c, cart, reader, errOut)
	return t, err
}

// copies reads the closing records of a cart that other places hold: the second place, and
// the cart's own journal.
func (s *jobSource) copies(ctx context.Context, c *config.Config, cart string, reader words.Reader, errOut io.Writer) (list []points.Point, err error) {
	if _, err := c.Cart(cart); err != nil { // of another shop, or a name that somebody made up
		return nil, nil
	}
	if c.Records.Also != "" {
		if list, err = closing.ReadCopies(closing.CopyPath(c.Records.Also, cart)); err != nil {
			return nil, err
		}
	}
	own, err := journalClosings(ctx, c.JournalPath(cart), c.Shop, cart)
	if err != nil && !errors.Is(err, fs.ErrNotExist) { // a damaged one spoils no audit of the history
		fmt.Fprintln(errOut, reader.Fault(words.NewError("record.not_compared", "why", err)))
	}
	for i := range own {
		list = append(list, own[i].Point)
	}
	return list, nil
}

// newestClosed is said of --opened in the place of a time.
const newestClosed = "newest"

// record reads the job that is meant.
func (s *jobSource) record(ctx context.Context, job string) (*audit.Record, error) {
	if s.opened == newestClosed {
		return s.newestClosed(ctx, job)
	}
	atNs, err := openedNs(s.opened)
	if err != nil {
		return nil, err
	}
	r, err := s.openedAt(ctx, job, atNs)
	if err == nil && s.asks && atNs == 0 && len(r.SameName) > 0 {
		return nil, s.which(ctx, job)
	}
	return r, err
}

// which is the error that asks back which job of a name is meant.
func (s *jobSource) which(ctx context.Context, job string) error {
	all, err := s.ofName(ctx, job)
	if err != nil {
		return err
	}
	var each []error
	for _, r := range all {
		key, phase := "ticket.one", phaseOf(r)
		if phase == "" {
			key = "ticket.one_no_record"
		}
		opened := time.Unix(0, openingNs(r)).UTC().Format(audit.TimeLayout)
		each = append(each, words.NewError(key, "opened", opened, "cart", r.Shop+"/"+r.Cart, "phase", phase))
	}
	return words.NewError("ticket.which", "job", job, "count", len(all), "why", errors.Join(each...))
}

// newestClosed reads the newest job of a name that was closed.
func (s *jobSource) newestClosed(ctx context.Context, job string) (*audit.Record, error) {
	all, err := s.ofName(ctx, job)
	if err != nil {
		return nil, err
	}
	for _, r := range all {
		if phaseOf(r) == fillcalc.Closed {
			return r, nil
		}
	}
	return nil, words.NewError("ticket.none_closed", "job", job)
}

// ofName reads all jobs of a name, the newest first.
func (s *jobSource) ofName(ctx context.Context, job string) ([]*audit.Record, error) {
	newest, err := s.openedAt(ctx, job, 0)
	if err != nil {
		return nil, err
	}
	all := []*audit.Record{newest}
	for _, atNs := range newest.SameName {
		r, err := s.openedAt(ctx, job, atNs)
		if err != nil {
			return nil, err
		}
		all = append(all, r)
	}
	slices.SortFunc(all, func(a, b *audit.Record) int { return cmp.Compare(openingNs(b), openingNs(a)) })
	return all, nil
}

// phaseOf is how a job ended, by its closing record; empty without one.
func phaseOf(r *audit.Record) fillcalc.Phase {
	if r.Summary == nil {
		return ""
	}
	phase, _ := r.Summary.Fields["phase"].(string)
	return fillcalc.Phase(phase)
}

// openedAt reads a job that was opened then; 0: the newest of that name.
func (s *jobSource) openedAt(ctx context.Context, job string, atNs int64) (*audit.Record, error) {
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
	store.Cart = s.cart
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
	var ofName []int64
	for i := range carts {
		cart := carts[i].Name
		r, err := audit.FromJournal(ctx, c.JournalPath(cart), c.Shop, cart, job, atNs)
		switch {
		case errors.Is(err, audit.ErrNoJob), errors.Is(err, fs.ErrNotExist): // or the cart has not run yet
			none = cmp.Or(none, err)
		case err != nil:
			return nil, err
		default:
			ofName = append(append(ofName, openingNs(r)), r.SameName...)
			if newest == nil || openingNs(r) > openingNs(newest) {
				newest = r
			}
		}
	}
	if newest == nil {
		return nil, none
	}
	newest.SameName = slices.DeleteFunc(ofName, func(atNs int64) bool { return atNs == openingNs(newest) })
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
		return 0, words.NewError("usage.opened", "typed", text)
	}
	return at.UnixNano(), nil
}
