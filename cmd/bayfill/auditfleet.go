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
	"bayfill/bridge/words"
)

type auditFleetOptions struct {
	from historyFlags
	readerFlags
	since, until string
	shop, cart   string
	html, csv    string
	json         bool
}

func auditFleetCommand() *cobra.Command {
	var o auditFleetOptions
	cmd := &cobra.Command{
		Use:     "fleet",
		Short:   "help.audit_fleet",
		Long:    "help.audit_fleet_more",
		Example: "  bayfill audit fleet --config bayfill.yaml --since 90d --html fleet.html",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout(), time.Now())
		},
	}
	o.from.add(cmd)
	f := cmd.Flags()
	o.readerFlags.add(f)
	f.StringVar(&o.since, "since", "90d", sinceHelp)
	f.StringVar(&o.until, "until", "0d", untilHelp)
	f.StringVar(&o.shop, "shop", "", "flag.shop")
	f.StringVar(&o.cart, "cart", "", "flag.cart")
	f.StringVar(&o.html, "html", "", "flag.html")
	f.StringVar(&o.csv, "csv", "", "flag.csv")
	f.BoolVar(&o.json, "json", false, "flag.json")
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
	reader, err := o.reader(o.from.units())
	if err != nil {
		return err
	}
	fleet, writeCSV, end, err := o.fleet(ctx, q)
	if err != nil {
		return err
	}
	defer end()
	for _, f := range []struct {
		path  string
		write func(io.Writer) error
	}{
		{o.html, func(w io.Writer) error { return fleet.WriteHTML(w, reader) }},
		{o.csv, writeCSV},
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
	printFleet(out, fleet, reader)
	return nil
}

// fleet reads the charts from the history, or else from the journals of the configured
// carts, which have no table. end must be called after writeCSV.
func (o *auditFleetOptions) fleet(ctx context.Context, q audit.FleetQuery) (f *audit.Fleet, writeCSV func(io.Writer) error, end func(), err error) {
	if o.from.url == "" {
		c, err := o.from.load()
		if err != nil {
			return nil, nil, nil, err
		}
		if c.History.URL == "" && o.csv != "" {
			return nil, nil, nil, configError{errors.New("--csv: the table is read from a history, and the configuration names none")}
		}
		if c.History.URL == "" {
			closings, err := configClosings(ctx, c)
			if err != nil {
				return nil, nil, nil, notAudited{err}
			}
			return audit.FleetOf(closings, q), nil, func() {}, nil
		}
	}
	history, err := o.from.history()
	if err != nil {
		return nil, nil, nil, err
	}
	store, err := audit.OpenStore(history)
	if err != nil {
		return nil, nil, nil, notAudited{err}
	}
	if f, err = store.Fleet(ctx, q); err != nil {
		store.Close()
		return nil, nil, nil, notAudited{err}
	}
	return f, func(w io.Writer) error { return store.WriteFleetCSV(ctx, q, w) }, store.Close, nil
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
// memory. Such files name people and vehicles, so they are not for everybody.
func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}

// printFleet prints the charts in words, in at most auditWidth columns.
func printFleet(out io.Writer, f *audit.Fleet, r words.Reader) {
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
	printDrifts(out, f, r)
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

func printDrifts(out io.Writer, f *audit.Fleet, r words.Reader) {
	fmt.Fprintln(out, "\nDrift now (weighted average beyond its limits):")
	steady := true
	for _, g := range slices.Concat(f.Carts, f.Fluids) {
		for _, drift := range g.Drifts(r) {
			printWrapped(out, "  "+plain(g.Name())+": "+printable(drift), auditWidth)
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
