package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	identity "bayfill/bridge/names"
	"bayfill/bridge/words"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// auditWidth is the maximum width of a verdict, in columns.
const auditWidth = 80

// The exit status of "audit job" besides 0, passed.
const (
	exitAltered     = 1 // the record is altered or incomplete
	exitNotAudited  = 2 // nothing is known about the job
	exitFailed      = 3 // by the verdict
	exitNotVerified = 4 // by the verdict, or the job is still open
)

// notAudited is an error because of which nothing is known about the job.
type notAudited struct{ error }

func (e notAudited) Unwrap() error { return e.error }

// notPassed is an audit whose job did not pass.
type notPassed struct {
	error
	status int
}

func (e notPassed) Unwrap() error { return e.error }

// notPassedBy returns the error of an audit; nil when the job passed.
func notPassedBy(r *audit.Report, v audit.Verdict) error {
	switch {
	case v.Criteria[0].Outcome == fillcalc.Failed: // the record's own
		return notPassed{words.NewError("usage.altered", "job", r.Job), exitAltered}
	case r.StillOpen():
		return notPassed{words.NewError("usage.still_open", "job", r.Job), exitNotVerified}
	case v.Outcome == fillcalc.Failed:
		return notPassed{words.NewError("usage.failed", "job", r.Job), exitFailed}
	case v.Outcome != fillcalc.Passed:
		return notPassed{words.NewError("usage.not_verified", "job", r.Job), exitNotVerified}
	}
	return nil
}

const auditName = "audit"

func auditCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   auditName,
		Short: "help.audit",
	}
	cmd.AddCommand(auditJobCommand(), auditJobsCommand(), auditFleetCommand())
	return cmd
}

type auditJobOptions struct {
	jobSource
	readerFlags
	json       bool
	sheet, csv string
	toleranceL float64
}

func auditJobCommand() *cobra.Command {
	var o auditJobOptions
	cmd := &cobra.Command{
		Use:     "job JOB",
		Short:   "help.audit_job",
		Example: "  bayfill audit job van-7 --config bayfill.yaml --sheet van-7.html",
		Long:    "help.audit_job_more",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return o.run(cmd.Context(), args[0], cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.jobSource.add(cmd)
	f := cmd.Flags()
	o.readerFlags.add(f)
	f.BoolVar(&o.json, "json", false, "flag.json_job")
	f.StringVar(&o.sheet, "sheet", "", "flag.sheet")
	f.StringVar(&o.csv, "csv", "", "flag.csv_job")
	f.Float64Var(&o.toleranceL, "tolerance-l", fillcalc.DefaultToleranceL, "flag.tolerance-l")
	return cmd
}

func (o *auditJobOptions) run(ctx context.Context, job string, out, errOut io.Writer) error {
	reader, err := o.reader(o.from.units())
	if err != nil {
		return err
	}
	record, report, err := o.audited(ctx, job, reader, errOut)
	if err != nil {
		return err
	}
	verdict := audit.Judge(report, o.toleranceL, reader)
	if o.json {
		err = json.NewEncoder(out).Encode(struct {
			*audit.Report
			Verdict audit.Verdict `json:"verdict"`
		}{report, verdict})
	} else {
		printReport(out, report, verdict, reader)
	}
	if err == nil {
		err = o.writeFiles(record, report, reader)
	}
	if err != nil {
		return err
	}
	return notPassedBy(report, verdict)
}

// writeFiles writes the sheet and the table that the flags ask for.
func (o *auditJobOptions) writeFiles(record *audit.Record, report *audit.Report, r words.Reader) error {
	if o.sheet != "" {
		err := writeFile(o.sheet, func(w io.Writer) error {
			if filepath.Ext(o.sheet) == ".json" {
				return json.NewEncoder(w).Encode(audit.NewSheetData(record, report, o.toleranceL, r))
			}
			return audit.WriteSheet(w, record, report, o.toleranceL, r, time.Now())
		})
		if err != nil {
			return err
		}
	}
	if o.csv != "" {
		return writeFile(o.csv, func(w io.Writer) error { return audit.WriteCSV(w, report) })
	}
	return nil
}

// printReport prints what an audit found, in at most auditWidth columns.
func printReport(out io.Writer, r *audit.Report, v audit.Verdict, reader words.Reader) {
	printIndented := func(margin, text string) {
		for i, line := range wrap.Lines(printable(text), auditWidth-len(margin)) {
			if i > 0 {
				margin = "    "
			}
			fmt.Fprintf(out, "%s%s\n", margin, line)
		}
	}
	same := map[[2]bool]string{
		{true, true}: "audit.same", {false, true}: "audit.not_same", {true, false}: "audit.not_complete", {false, false}: "audit.neither",
	}[[2]bool{r.Same, r.Complete}]
	if r.StillOpen() {
		same = "audit.still_open"
	}
	say := func(key string, f figures, n names) {
		printIndented("", reader.Say(fillcalc.Text{Key: key, Figures: f, Names: n}))
	}
	of := names{"job": r.Job, "cart": strings.TrimPrefix(r.Shop+"/"+r.Cart, "/"), "from": r.From, "opened": cmp.Or(r.OpenedAt, "?"), "ended": cmp.Or(r.EndedAt, "?")}
	say(same, nil, of)
	say("audit.from", nil, of)
	say("audit.events", figures{"events": float64(r.Events), "messages": float64(r.Published)}, nil)
	say("audit.signature", nil, names{"signature": string(r.Signature.State)})
	for _, n := range r.Names {
		if n.State != identity.Proven {
			printIndented("  - ", n.For(reader))
		}
	}
	if r.SameName > 0 {
		say("audit.other_names", figures{"count": float64(r.SameName)}, nil)
	}
	for _, f := range r.Findings {
		printIndented("  - ", f.For(reader))
	}
	say("audit.verdict", nil, names{"outcome": string(v.Outcome)})
	for _, c := range v.Criteria {
		outcome := reader.Word("outcome." + string(c.Outcome))
		if !c.Counts {
			outcome += " (" + reader.Word("sheet.not_counted") + ")"
		}
		printIndented("  - ", fmt.Sprintf("%s: %s. %s", c.Title, outcome, strings.Join(c.Says, " ")))
	}
}
