package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wrap"
)

// auditWidth is how many columns a verdict needs at most.
const auditWidth = 80

// Exit statuses of an audit: 0 is the one good verdict, and what could not be
// audited is not the same as what was found wrong.
const exitNotAudited = 2

// notAudited is an error that leaves the question open.
type notAudited struct{ error }

func auditCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "audit",
		Short: "Compute jobs again from their history",
	}
	cmd.AddCommand(auditJobCommand(), auditFleetCommand())
	return cmd
}

// historyFlags say where the history is: by the configuration, or by themselves.
type historyFlags struct {
	config, url, org, bucket, tokenEnv string
}

func (h *historyFlags) add(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVarP(&h.config, "config", "c", "", "take the history from this configuration")
	f.StringVar(&h.url, "influx-url", "", "or from this InfluxDB, as in http://127.0.0.1:8086")
	f.StringVar(&h.org, "influx-org", "", "its organisation")
	f.StringVar(&h.bucket, "influx-bucket", "bayfill", "its bucket (database/retention for InfluxDB 1.8)")
	f.StringVar(&h.tokenEnv, "influx-token-env", "", "environment variable that holds its token")
}

func (h *historyFlags) history() (config.History, error) {
	if h.url != "" {
		if err := mqtt.CheckAddress(h.url); err != nil {
			return config.History{}, configError{fmt.Errorf("--influx-url: %w: use --influx-token-env", err)}
		}
		return config.History{URL: h.url, Org: h.org, Bucket: h.bucket, Token: config.Secret{Env: h.tokenEnv}}, nil
	}
	c, err := config.Load(cmp.Or(h.config, "bayfill.yaml"))
	if err != nil {
		return config.History{}, configError{err}
	}
	if c.History.URL == "" {
		return config.History{}, configError{errors.New("history: the configuration names none: give --influx-url, or --journal for a journal file")}
	}
	return c.History, nil
}

func auditJobCommand() *cobra.Command {
	var from historyFlags
	var journal, shop, cart, opened, sheet, table string
	var asJSON bool
	var toleranceL float64
	cmd := &cobra.Command{
		Use:   "job ID",
		Short: "Compute a job again from its readings and inputs, and hold it against what was published",
		Long: `Compute a job again from its readings and inputs, and hold every figure that was
published against what comes out, to the last bit; prove by numbers and a hash
chain that no point is missing, altered, added or out of place.

The exit status is 0 only when all is the same and complete, 1 when something was
found, 2 when the job could not be audited.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			record, err := from.record(cmd.Context(), args[0], journal, shop, cart, opened)
			if err != nil {
				var config configError
				if errors.As(err, &config) {
					return err
				}
				return notAudited{err}
			}
			if record.NoNames != nil {
				fmt.Fprintf(cmd.ErrOrStderr(), "tokens stand in the place of names: %v\n", record.NoNames)
			}
			report := audit.Check(record)
			out := cmd.OutOrStdout()
			verdict := audit.Judge(report, toleranceL)
			if asJSON {
				err = json.NewEncoder(out).Encode(struct {
					*audit.Report
					Verdict audit.Verdict `json:"verdict"`
				}{report, verdict})
			} else {
				printReport(out, report, verdict)
			}
			for _, f := range []struct {
				path  string
				write func(io.Writer) error
			}{
				{sheet, func(w io.Writer) error {
					if filepath.Ext(sheet) == ".json" {
						return json.NewEncoder(w).Encode(audit.NewSheetData(record, report, toleranceL))
					}
					return audit.WriteSheet(w, record, report, toleranceL)
				}},
				{table, func(w io.Writer) error { return audit.WriteCSV(w, report) }},
			} {
				if f.path != "" && err == nil {
					err = writeFile(f.path, f.write)
				}
			}
			switch {
			case err != nil:
				return notAudited{err}
			case !report.SameAndComplete():
				return errors.New("job " + args[0] + " is not same and complete")
			}
			return nil
		},
	}
	from.add(cmd)
	f := cmd.Flags()
	f.StringVar(&journal, "journal", "", "read a cart's journal file instead of the history")
	f.StringVar(&shop, "shop", "", "shop of that journal, for the sheet")
	f.StringVar(&cart, "cart", "", "cart of that journal, for the sheet")
	f.StringVar(&opened, "opened", "", "of several jobs of that name the one opened then, as the verdict writes it (default: the newest)")
	f.BoolVar(&asJSON, "json", false, "print the verdict as one JSON object")
	f.StringVar(&sheet, "sheet", "", "write the audit sheet here: HTML, or its numbers when the name ends in .json")
	f.StringVar(&table, "csv", "", "write the job's course, a row a second, here")
	f.Float64Var(&toleranceL, "tolerance-l", audit.DefaultToleranceL, "by how many litres the amount may be off beyond its uncertainty, for the verdict")
	return cmd
}

func (h *historyFlags) record(ctx context.Context, job, journal, shop, cart, opened string) (*audit.Record, error) {
	openedNs := int64(0)
	if opened != "" {
		at, err := time.Parse(audit.TimeLayout, opened)
		if err != nil {
			return nil, fmt.Errorf("--opened: %w", err)
		}
		openedNs = at.UnixNano()
	}
	if journal != "" {
		return audit.FromJournal(ctx, journal, shop, cart, job, openedNs)
	}
	history, err := h.history()
	if err != nil {
		return nil, err
	}
	store, err := audit.OpenStore(history)
	if err != nil {
		return nil, err
	}
	defer store.Close()
	return store.Record(ctx, job, openedNs)
}

func printReport(out io.Writer, r *audit.Report, v audit.Verdict) {
	say := func(margin, text string) {
		for i, line := range wrap.Lines(printable(text), auditWidth-len(margin)) {
			if i > 0 {
				margin = "    "
			}
			fmt.Fprintf(out, "%s%s\n", margin, line)
		}
	}
	verdict := map[[2]bool]string{
		{true, true}: "same and complete", {false, true}: "NOT the same", {true, false}: "NOT complete", {false, false}: "NOT the same and NOT complete",
	}[[2]bool{r.Same, r.Complete}]
	of := ""
	if r.Shop != "" {
		of = " of " + r.Shop
	}
	say("", fmt.Sprintf("job %s on cart %s%s: %s", r.Job, r.Cart, of, verdict))
	say("", fmt.Sprintf("from %s; opened %s, ended %s", r.From, cmp.Or(r.OpenedAt, "?"), cmp.Or(r.EndedAt, "?")))
	say("", fmt.Sprintf("%d events folded again, %d published messages compared", r.Events, r.Published))
	if r.SameName > 0 {
		say("", fmt.Sprintf("%d other jobs have this name; --opened chooses", r.SameName))
	}
	for _, f := range r.Findings {
		say("  - ", f.Text)
	}
	words := func(o audit.Outcome) string { return strings.ReplaceAll(string(o), "_", " ") }
	say("", "verdict: "+words(v.Outcome))
	for _, c := range v.Criteria {
		say("  - ", fmt.Sprintf("%s: %s. %s", c.Title, words(c.Outcome), strings.Join(c.Says, " ")))
	}
}
