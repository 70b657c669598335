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
	"bayfill/fillcalc"
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
	apart(cmd, "config", "influx-url")
	return cmd
}

func (o *auditFleetOptions) run(ctx context.Context, out io.Writer, now time.Time) error {
	q := audit.FleetQuery{Shop: o.shop, Cart: o.cart}
	var err error
	if q.SinceNs, q.UntilNs, err = period(o.since, o.until, now); err != nil {
		return err
	}
	if q.SinceNs >= q.UntilNs {
		return words.NewError("usage.since", "typed", o.since)
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
			return words.NewError("usage.incomplete", "path", f.path, "why", err)
		}
	}
	if o.json {
		return json.NewEncoder(out).Encode(fleet)
	}
	fleetTable{out, reader}.print(fleet)
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
			return nil, nil, nil, configError{words.NewError("usage.csv_history")}
		}
		if c.History.URL == "" {
			closings, err := configClosings(ctx, c)
			if err != nil {
				return nil, nil, nil, err
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
		return nil, nil, nil, err
	}
	if f, err = store.Fleet(ctx, q); err != nil {
		store.Close()
		return nil, nil, nil, err
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
	return 0, words.NewError("usage.not_day", "typed", text)
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

// fleetTable prints the charts of a fleet for a reader, in at most auditWidth columns.
type fleetTable struct {
	out io.Writer
	r   words.Reader
}

func (p fleetTable) say(margin, key string, f figures, n names) {
	printWrapped(p.out, margin+p.r.Say(fillcalc.Text{Key: key, Figures: f, Names: n}), auditWidth)
}

// heading prints a sentence after an empty line.
func (p fleetTable) heading(key string, f figures) {
	fmt.Fprintln(p.out)
	p.say("", key, f, nil)
}

func (p fleetTable) print(f *audit.Fleet) {
	p.say("", "fleet.about", figures{"newest": float64(f.Newest)}, names{"from": f.Since.Format(time.DateOnly), "to": f.Until.Format(time.DateOnly)})
	if len(f.Carts) == 0 {
		p.heading("fleet.no_jobs", nil)
		return
	}
	p.say("", "fleet.missed_means", nil, nil)
	if len(f.Shops) > 1 {
		p.groups("fleet.shop", append([]*audit.FleetGroup{f.All}, f.Shops...))
	}
	if len(f.Carts) <= maxCartRows {
		p.groups("fleet.cart", f.Carts)
	} else {
		p.heading("fleet.too_many", figures{"carts": float64(len(f.Carts))})
	}
	p.groups("fleet.fluid", f.Fluids)
	p.drifts(f)
	p.signals(f)
}

// maxCartRows is how many carts are listed one by one.
const maxCartRows = 100

// groups prints a row for each group, under a head whose first cell is a key.
func (p fleetTable) groups(head string, groups []*audit.FleetGroup) {
	const nameWidth = 22
	const row = "%-*s %6s %6s %6s %7s %6s %7s %10s\n"
	w := p.r.Word
	fmt.Fprintln(p.out)
	fmt.Fprintf(p.out, row, nameWidth, w(head), w("fleet.col_jobs"), w("fleet.col_closed"), w("fleet.col_abandoned"), w("fleet.mean"), "sigma", w("fleet.outside"), w("fleet.unjudged"))
	for _, g := range groups {
		name := plain(g.NameFor(p.r))
		if len([]rune(name)) > nameWidth {
			fmt.Fprintln(p.out, name)
			name = ""
		}
		count := func(n int64) string { return strconv.FormatInt(n, 10) }
		fmt.Fprintf(p.out, row, nameWidth, name, count(g.Jobs), count(g.Closed), count(g.Abandoned),
			figure("%+.1f", g.Balance.Limits.Mean), figure("%.1f", g.Balance.Limits.Sigma), count(g.Outside), count(g.Unjudged))
	}
}

func (p fleetTable) drifts(f *audit.Fleet) {
	p.heading("fleet.drifts", nil)
	steady := true
	for _, g := range slices.Concat(f.Carts, f.Fluids) {
		for _, drift := range g.Drifts(p.r) {
			printWrapped(p.out, "  "+plain(g.NameFor(p.r))+": "+printable(drift), auditWidth)
			steady = false
		}
	}
	if steady {
		p.say("  ", "fleet.no_drift", nil, nil)
	}
}

// signals prints the newest jobs of each cart that break a rule.
func (p fleetTable) signals(f *audit.Fleet) {
	p.heading("fleet.signalling", nil)
	quiet := true
	for _, g := range f.Carts {
		signals := g.Balance.Signals()
		for _, job := range signals[:min(3, len(signals))] {
			rules := make([]string, len(job.Rules))
			for i, rule := range job.Rules {
				rules[i] = p.r.Word("rule." + string(rule))
			}
			p.say("  ", "fleet.signal", nil, names{
				"cart": plain(g.Name()), "job": plain(job.Job), "ended": time.Unix(0, job.AtNs).UTC().Format(time.DateOnly),
				"balance": fmt.Sprintf("%+.1f", job.X), "rules": strings.Join(rules, "; "),
			})
			quiet = false
		}
	}
	if quiet {
		p.say("  ", "fleet.no_signal", nil, nil)
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
