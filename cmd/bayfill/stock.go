package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

type stockOptions struct {
	from                historyFlags
	journal, shop, cart string
	since, until, by    string
	reader              readerFlags
	json                bool
}

func stockCommand() *cobra.Command {
	var o stockOptions
	cmd := &cobra.Command{
		Use:   "stock",
		Short: "help.stock",
		Long:  "help.stock_more",
		Example: `  bayfill stock --config bayfill.yaml
  bayfill stock --config bayfill.yaml --since 30d --by day --units us`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout(), time.Now())
		},
	}
	o.from.add(cmd)
	f := cmd.Flags()
	f.Lookup("config").Usage = "flag.config_job"
	f.StringVar(&o.journal, "journal", "", "flag.journal")
	f.StringVar(&o.shop, "shop", "", "flag.shop")
	f.StringVar(&o.cart, "cart", "", "flag.cart")
	f.StringVar(&o.since, "since", "365d", sinceHelp)
	f.StringVar(&o.until, "until", "0d", untilHelp)
	f.StringVar(&o.by, "by", string(closing.ByMonth), "flag.by_stock")
	f.BoolVar(&o.json, "json", false, "flag.json_stock")
	o.reader.add(cmd.Flags())
	cmd.MarkFlagsMutuallyExclusive("journal", "influx-url")
	return cmd
}

// stockReport is what the command prints.
type stockReport struct {
	By    closing.Period `json:"by"`
	Used  []closing.Used `json:"used"`
	Stock closing.Stock  `json:"stock"`
	Later int            `json:"later"` // jobs that end later than now, by this computer's clock
}

func (o *stockOptions) run(ctx context.Context, out io.Writer, now time.Time) error {
	by := closing.Period(o.by)
	if by != closing.ByDay && by != closing.ByMonth {
		return fmt.Errorf("--by: %q is not day or month", o.by)
	}
	sinceNs, untilNs, err := period(o.since, o.until, now)
	if err != nil {
		return err
	}
	c := new(config.Config)
	if o.journal == "" && o.from.url == "" || o.from.config != "" {
		if c, err = o.from.load(); err != nil {
			return err
		}
	}
	reader, err := o.reader.reader(c.Units)
	if err != nil {
		return err
	}
	all, err := o.records(ctx, c)
	if err != nil {
		return err
	}
	report := stockReport{By: by, Stock: closing.NewStock(&c.Stock)}
	var selected []closing.Record
	for i := range all {
		r := &all[i]
		if r.Shop == c.Shop { // the configuration says what this shop has
			report.Stock.Add(r)
		}
		if r.EndedNs > now.UnixNano() {
			report.Later++
		}
		if r.EndedNs >= sinceNs && r.EndedNs < untilNs && (o.shop == "" || r.Shop == o.shop) && (o.cart == "" || r.Cart == o.cart) {
			selected = append(selected, *r)
		}
	}
	report.Used = closing.Account(selected, by, time.Local)
	if o.json {
		return json.NewEncoder(out).Encode(report)
	}
	return report.print(out, reader)
}

// records reads all closing records.
func (o *stockOptions) records(ctx context.Context, c *config.Config) (list []closing.Record, err error) {
	var all []audit.Summary
	switch {
	case o.journal != "":
		cart := strings.TrimSuffix(filepath.Base(o.journal), filepath.Ext(o.journal))
		all, err = journalClosings(ctx, o.journal, cmp.Or(o.shop, c.Shop), cart)
	case o.from.url != "" || c.History.URL != "":
		all, err = o.historyClosings(ctx)
	default:
		all, err = configClosings(ctx, c)
	}
	for i := range all {
		list = append(list, closing.Of(all[i].Shop, all[i].Cart, &all[i].Point))
	}
	return list, err
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

func (o *stockOptions) historyClosings(ctx context.Context) ([]audit.Summary, error) {
	history, err := o.from.history()
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

// print prints the account as a table with its sums, and then the stock.
func (r *stockReport) print(out io.Writer, reader words.Reader) error {
	litres := reader.Units.LargeVolumeUnit().Text
	fmt.Fprintln(out, reader.Say(fillcalc.Text{Key: "stock.used", Names: map[string]string{"by": string(r.By)}}))
	if len(r.Used) == 0 {
		fmt.Fprintln(out, reader.Word("stock.none"))
	} else {
		table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		row := func(cells ...string) { fmt.Fprintln(table, strings.Join(cells, "\t")) }
		row(reader.Word("by."+string(r.By)), reader.Word("stock.cart"), reader.Word("stock.fluid"), reader.Word("stock.jobs"), reader.Word("stock.fresh"), reader.Word("stock.used_oil"))
		sum := closing.Used{}
		for _, u := range r.Used {
			row(u.Period, plain(strings.TrimPrefix(u.Shop+"/"+u.Cart, "/")), plain(u.Fluid), fmt.Sprint(u.Jobs), litres(u.FreshL), litres(u.WasteL))
			sum.Jobs, sum.FreshL, sum.WasteL = sum.Jobs+u.Jobs, sum.FreshL+u.FreshL, sum.WasteL+u.WasteL
		}
		row(reader.Word("stock.total"), "", "", fmt.Sprint(sum.Jobs), litres(sum.FreshL), litres(sum.WasteL))
		if err := table.Flush(); err != nil {
			return err
		}
	}
	for _, text := range r.stockTexts() {
		printWrapped(out, printable(reader.Say(text)), auditWidth)
	}
	return nil
}

// stockTexts says what should be left, and what the container should hold.
func (r *stockReport) stockTexts() (list []fillcalc.Text) {
	if r.Later > 0 {
		list = append(list, fillcalc.Text{Key: "stock.later", Figures: map[string]float64{"count": float64(r.Later)}})
	}
	add := func(key, fluid string, sinceNs int64, figures map[string]float64) {
		since := time.Unix(0, sinceNs).Format(time.RFC3339)
		list = append(list, fillcalc.Text{Key: key, Figures: figures, Names: map[string]string{"fluid": fluid, "since_day": since}})
	}
	for i := range r.Stock.Fluids {
		f := &r.Stock.Fluids[i]
		add("stock.left", f.Fluid, f.SinceNs, map[string]float64{"left_l": f.LeftL, "had_l": f.HadL})
		if f.Low() {
			add("stock.low", f.Fluid, f.SinceNs, map[string]float64{"low_l": f.LowL})
		}
	}
	if w := r.Stock.Waste; w != nil {
		add("stock.waste", "", w.SinceNs, map[string]float64{"collected_l": w.CollectedL, "holds_l": w.HoldsL})
		if w.Full() {
			add("stock.full", "", w.SinceNs, map[string]float64{"full_l": w.FullL})
		}
	}
	return list
}
