package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/wrap"
)

type auditFleetOptions struct {
	from         historyFlags
	since, until string
	shop, cart   string
	html, csv    string
	json         bool
}

func auditFleetCommand() *cobra.Command {
	var o auditFleetOptions
	cmd := &cobra.Command{
		Use:   "fleet",
		Short: "Chart all jobs of carts and fluids, and say which drift",
		Long: `Chart the jobs that ended in a time: for each cart the balance (added less
target), drained against the typical refill, calibrations and missed check
windows, for each fluid the balance. Says which carts or fluids drift, and which
jobs signal a rule of control charts. Only closing records are read from the
history, no readings. The exit status is 0 whatever the charts say.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout(), time.Now())
		},
	}
	o.from.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.since, "since", "90d", "jobs that ended since then: so many days ago, or a date in UTC as in 2026-01-31")
	f.StringVar(&o.until, "until", "", "and before then (default: now)")
	f.StringVar(&o.shop, "shop", "", "of this shop only")
	f.StringVar(&o.cart, "cart", "", "of this cart only")
	f.StringVar(&o.html, "html", "", "write the charts to this file, to be read in a browser and printed")
	f.StringVar(&o.csv, "csv", "", "write a row for each job to this file")
	f.BoolVar(&o.json, "json", false, "print one JSON object")
	cmd.MarkFlagsMutuallyExclusive("config", "influx-url")
	return cmd
}

func (o *auditFleetOptions) run(ctx context.Context, out io.Writer, now time.Time) error {
	q := audit.FleetQuery{UntilNs: now.UnixNano(), Shop: o.shop, Cart: o.cart}
	var err error
	if q.SinceNs, err = momentNs(o.since, now); err != nil {
		return fmt.Errorf("--since: %w", err)
	}
	if o.until != "" {
		if q.UntilNs, err = momentNs(o.until, now); err != nil {
			return fmt.Errorf("--until: %w", err)
		}
	}
	if q.SinceNs >= q.UntilNs {
		return fmt.Errorf("--since: %s is not before --until", o.since)
	}
	history, err := o.from.history()
	if err != nil {
		return err
	}
	store, err := audit.OpenStore(history)
	if err != nil {
		return notAudited{err}
	}
	defer store.Close()
	fleet, err := store.Fleet(ctx, q)
	if err != nil {
		return notAudited{err}
	}
	for _, f := range []struct {
		path  string
		write func(io.Writer) error
	}{
		{o.html, fleet.WriteHTML},
		{o.csv, func(w io.Writer) error { return store.WriteFleetCSV(ctx, q, w) }},
	} {
		if f.path == "" {
			continue
		}
		if err := writeFile(f.path, f.write); err != nil {
			return notAudited{fmt.Errorf("%s is not whole: %w", f.path, err)}
		}
	}
	if o.json {
		return json.NewEncoder(out).Encode(fleet)
	}
	printFleet(out, fleet)
	return nil
}

var daysAgo = regexp.MustCompile(`^([0-9]{1,5})d$`)

// momentNs reads a date, a moment, or days before now.
func momentNs(text string, now time.Time) (int64, error) {
	if m := daysAgo.FindStringSubmatch(text); m != nil {
		days, err := strconv.Atoi(m[1])
		return now.AddDate(0, 0, -days).UnixNano(), err
	}
	for _, layout := range []string{time.DateOnly, time.RFC3339} {
		// What lies further away does not fit into nanoseconds.
		if at, err := time.Parse(layout, text); err == nil && at.Year() >= 1970 && at.Year() < 2200 {
			return at.UnixNano(), nil
		}
	}
	return 0, fmt.Errorf("%q is neither days ago, as in 90d, nor a date since 1970, as in 2026-01-31", text)
}

// writeFile writes as it goes: a table may be longer than memory.
func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}

// printFleet keeps within 80 columns.
func printFleet(out io.Writer, f *audit.Fleet) {
	const nameWidth = 22
	paragraph := func(text string) {
		for _, line := range wrap.Lines(text, auditWidth) {
			fmt.Fprintln(out, line)
		}
	}
	paragraph(fmt.Sprintf("Jobs that ended from %s to %s, UTC. Balance: added less target (less drained where no target is known), mL, of the newest %d closed jobs at most.",
		f.Since.Format(time.DateOnly), f.Until.Format(time.DateOnly), f.Newest))
	if len(f.Carts) == 0 {
		fmt.Fprintln(out, "\nNo job ended then.")
		return
	}
	for _, list := range []struct {
		head   string
		groups []*audit.FleetGroup
	}{{"cart", f.Carts}, {"fluid", f.Fluids}} {
		fmt.Fprintf(out, "\n%-*s  jobs  closed  aband.   mean  sigma  window missed\n", nameWidth, list.head)
		for _, g := range list.groups {
			name := plain(g.Name())
			if len([]rune(name)) > nameWidth {
				fmt.Fprintln(out, name)
				name = ""
			}
			missed := "none"
			if g.Outside+g.Unjudged > 0 {
				missed = fmt.Sprintf("%d out, %d not judged", g.Outside, g.Unjudged)
			}
			fmt.Fprintf(out, "%-*s %5d  %6d  %6d %6s %6s  %s\n", nameWidth, name, g.Jobs, g.Closed, g.Abandoned,
				figure("%+.1f", g.Balance.Limits.Mean), figure("%.1f", g.Balance.Limits.Sigma), missed)
		}
	}
	fmt.Fprintln(out, "\nDrift now (weighted average beyond its limits):")
	steady := true
	for _, list := range [][]*audit.FleetGroup{f.Carts, f.Fluids} {
		for _, g := range list {
			for _, words := range g.Drifts() {
				paragraph("  " + plain(g.Name()) + ": " + plain(words))
				steady = false
			}
		}
	}
	if steady {
		fmt.Fprintln(out, "  none that the charts show")
	}
	fmt.Fprintln(out, "\nNewest jobs whose balance signals (at most three each):")
	quiet := true
	for _, g := range f.Carts {
		signals := g.Balance.Signals()
		for _, p := range signals[:min(3, len(signals))] {
			rules := make([]string, len(p.Rules))
			for i, r := range p.Rules {
				rules[i] = string(r)
			}
			paragraph(fmt.Sprintf("  %s: %s, job %s, %+.1f mL: %s", plain(g.Name()), time.Unix(0, p.AtNs).UTC().Format(time.DateOnly), plain(p.Job), p.X, strings.Join(rules, "; ")))
			quiet = false
		}
	}
	if quiet {
		fmt.Fprintln(out, "  none")
	}
}

// plain is a name that cannot move the terminal's cursor, cut to a line.
func plain(name string) string {
	runes := []rune(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '·'
		}
		return r
	}, name))
	if len(runes) > 70 {
		runes = append(runes[:69], '…')
	}
	return string(runes)
}
