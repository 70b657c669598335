package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
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
		Short: "Draw control charts over all jobs of carts and fluids",
		Long: `Draw control charts over the jobs that ended in a period: for each cart the
balance (added less target), the drained amount against the typical refill, the
calibrations and the missed check windows; for each fluid, each shop and all shops the
balance. It reports
which carts and fluids drift, and which jobs break a rule of the control charts.
Only closing records are read from the history, no readings. The exit status is 0
whatever the charts show, and 2 when they could not be drawn.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout(), time.Now())
		},
	}
	o.from.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.since, "since", "90d", "start of the period: "+momentHelp)
	f.StringVar(&o.until, "until", "0d", untilHelp)
	f.StringVar(&o.shop, "shop", "", "only this shop")
	f.StringVar(&o.cart, "cart", "", "only this cart")
	f.StringVar(&o.html, "html", "", "write the charts to this file, for a browser or a printer")
	f.StringVar(&o.csv, "csv", "", "write a table to this file, a row for each job")
	f.BoolVar(&o.json, "json", false, "print one JSON object")
	cmd.MarkFlagsMutuallyExclusive("config", "influx-url")
	return cmd
}

func (o *auditFleetOptions) run(ctx context.Context, out io.Writer, now time.Time) error {
	q := audit.FleetQuery{Shop: o.shop, Cart: o.cart}
	var err error
	if q.SinceNs, q.UntilNs, err = period(o.since, o.until, now); err != nil {
		return err
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
			return notAudited{fmt.Errorf("%s is incomplete: %w", f.path, err)}
		}
	}
	if o.json {
		return json.NewEncoder(out).Encode(fleet)
	}
	printFleet(out, fleet)
	return nil
}

var daysAgo = regexp.MustCompile(`^([0-9]{1,5})d$`)

// momentNs reads a date, a time or a number of days before now, in nanoseconds since
// 1970 UTC.
func momentNs(text string, now time.Time) (int64, error) {
	if m := daysAgo.FindStringSubmatch(text); m != nil {
		days, err := strconv.Atoi(m[1])
		return now.AddDate(0, 0, -days).UnixNano(), err
	}
	for _, layout := range []string{time.DateOnly, time.RFC3339} {
		// Other years do not fit into 64 bits of nanoseconds.
		if at, err := time.Parse(layout, text); err == nil && at.Year() >= 1970 && at.Year() < 2200 {
			return at.UnixNano(), nil
		}
	}
	return 0, fmt.Errorf("%q is neither a number of days ago, as in 90d, nor a date since 1970, as in 2026-01-31", text)
}

// writeFile creates a file and passes it to write, which may write more than fits into
// memory.
func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}

// printFleet prints the charts in words, in at most auditWidth columns.
func printFleet(out io.Writer, f *audit.Fleet) {
	printWrapped(out, fmt.Sprintf("Jobs that ended from %s to %s, UTC. Balance: added less target (less drained where no target is known), mL, of the newest %d closed jobs at most.",
		f.Since.Format(time.DateOnly), f.Until.Format(time.DateOnly), f.Newest), auditWidth)
	if len(f.Carts) == 0 {
		fmt.Fprintln(out, "\nNo job ended then.")
		return
	}
	if len(f.Shops) > 1 {
		printGroups(out, "shop", append([]*audit.FleetGroup{f.All}, f.Shops...))
	}
	if len(f.Carts) <= maxCartRows {
		printGroups(out, "cart", f.Carts)
	} else {
		printWrapped(out, fmt.Sprintf("\n%d carts are too many to list here: name a shop with --shop, or write all to a file with --html, --csv or --json.", len(f.Carts)), auditWidth)
	}
	printGroups(out, "fluid", f.Fluids)
	printDrifts(out, f)
	printSignals(out, f)
}

// maxCartRows is how many carts are listed one by one.
const maxCartRows = 100

func printGroups(out io.Writer, head string, groups []*audit.FleetGroup) {
	const nameWidth = 22
	fmt.Fprintf(out, "\n%-*s  jobs  closed  aband.   mean  sigma  window missed\n", nameWidth, head)
	for _, g := range groups {
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

func printDrifts(out io.Writer, f *audit.Fleet) {
	fmt.Fprintln(out, "\nDrift now (weighted average beyond its limits):")
	steady := true
	for _, g := range slices.Concat(f.Carts, f.Fluids) {
		for _, words := range g.Drifts() {
			printWrapped(out, "  "+plain(g.Name())+": "+plain(words), auditWidth)
			steady = false
		}
	}
	if steady {
		fmt.Fprintln(out, "  none that the charts show")
	}
}

// printSignals prints the newest jobs of each cart that break a rule.
func printSignals(out io.Writer, f *audit.Fleet) {
	fmt.Fprintln(out, "\nNewest jobs whose balance signals (at most three each):")
	quiet := true
	for _, g := range f.Carts {
		signals := g.Balance.Signals()
		for _, p := range signals[:min(3, len(signals))] {
			rules := make([]string, len(p.Rules))
			for i, r := range p.Rules {
				rules[i] = string(r)
			}
			day := time.Unix(0, p.AtNs).UTC().Format(time.DateOnly)
			printWrapped(out, fmt.Sprintf("  %s: %s, job %s, %+.1f mL: %s", plain(g.Name()), day, plain(p.Job), p.X, strings.Join(rules, "; ")), auditWidth)
			quiet = false
		}
	}
	if quiet {
		fmt.Fprintln(out, "  none")
	}
}

// plain is a name that cannot steer the terminal, cut to a line.
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
