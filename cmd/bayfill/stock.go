package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

type stockOptions struct {
	closingSource
	since, until, by string
	reader           readerFlags
	json             bool
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
	o.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.since, "since", "365d", sinceHelp)
	f.StringVar(&o.until, "until", "0d", untilHelp)
	f.StringVar(&o.by, "by", string(closing.ByMonth), "flag.by_stock")
	f.BoolVar(&o.json, "json", false, "flag.json_stock")
	o.reader.add(cmd.Flags())
	return cmd
}

// stockReport is what the command prints.
type stockReport struct {
	By    closing.Period `json:"by"`
	Used  []closing.Used `json:"used"`
	Stock closing.Stock  `json:"stock"`
	Later int            `json:"later"` // jobs that end later than now, by this computer's clock
	// Unrecorded jobs are not in the account, because their closing records are missing.
	Unrecorded int `json:"unrecorded"`
}

func (o *stockOptions) run(ctx context.Context, out io.Writer, now time.Time) error {
	by := closing.Period(o.by)
	if by != closing.ByDay && by != closing.ByMonth {
		return fmt.Errorf("--by: %w", words.NewError("usage.not_listed", "typed", o.by, "choices", "day, month"))
	}
	sinceNs, untilNs, err := period(o.since, o.until, now)
	if err != nil {
		return err
	}
	c, err := o.load()
	if err != nil {
		return err
	}
	reader, err := o.reader.reader(c.Units)
	if err != nil {
		return err
	}
	all, err := o.summaries(ctx, c)
	if err != nil {
		return err
	}
	report := stockReport{By: by, Stock: closing.NewStock(&c.Stock)}
	var selected []closing.Record
	for i := range all {
		r := closing.Of(all[i].Shop, all[i].Cart, &all[i].Point)
		if r.Shop == c.Shop { // the configuration says what this shop has
			report.Stock.Add(&r)
		}
		if r.EndedNs > now.UnixNano() {
			report.Later++
		}
		if r.EndedNs >= sinceNs && r.EndedNs < untilNs && o.selects(r.Shop, r.Cart) {
			selected = append(selected, r)
		}
	}
	report.Used = closing.Account(selected, by, time.Local)
	if report.Unrecorded, err = o.countUnrecorded(ctx, c, all); err != nil {
		return err
	}
	if o.json {
		return json.NewEncoder(out).Encode(report)
	}
	return report.print(out, reader)
}

// countUnrecorded counts the jobs whose closing record is missing in the journals, when these
// are what is read.
func (o *stockOptions) countUnrecorded(ctx context.Context, c *config.Config, closings []audit.Summary) (n int, err error) {
	if o.fromHistory(c) {
		return 0, nil
	}
	jobs, _, err := o.unrecorded(ctx, c, closings)
	for _, j := range jobs {
		if j.RecordMissing && o.selects(j.Shop, j.Cart) {
			n++
		}
	}
	return n, err
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
	if r.Unrecorded > 0 {
		list = append(list, fillcalc.Text{Key: "stock.unrecorded", Figures: map[string]float64{"count": float64(r.Unrecorded)}})
	}
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
