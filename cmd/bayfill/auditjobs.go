package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	identity "bayfill/bridge/names"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

type auditJobsOptions struct {
	closingSource
	languageFlag
	last int
	json bool
}

// vehicleToken is what stands in the place of a vehicle's name: see [identity.Token].
var vehicleToken = regexp.MustCompile(`^v-[0-9a-f]{16}-[0-9a-f]{16}$`)

func auditJobsCommand() *cobra.Command {
	var o auditJobsOptions
	cmd := &cobra.Command{
		Use:   "jobs",
		Short: "help.audit_jobs",
		Long:  "help.audit_jobs_more",
		Example: `  bayfill audit jobs --config bayfill.yaml
  bayfill audit jobs --config bayfill.yaml --cart bay2 --last 5`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	o.closingSource.add(cmd)
	f := cmd.Flags()
	o.languageFlag.add(f)
	f.IntVar(&o.last, "last", 20, "flag.last")
	f.BoolVar(&o.json, "json", false, "flag.json")
	return cmd
}

// listedJob is a job as far as the list shows it.
type listedJob struct {
	Shop    string         `json:"shop,omitempty"`
	Cart    string         `json:"cart"`
	Job     string         `json:"job"`
	Vehicle string         `json:"vehicle,omitempty"` // empty: not given, or its name is not kept here
	Opened  time.Time      `json:"opened"`
	Ended   time.Time      `json:"ended,omitzero"`
	Phase   fillcalc.Phase `json:"phase,omitempty"`
	// RecordMissing: the journal says that it was opened and is not open any more, and no
	// record says how it ended.
	RecordMissing bool `json:"record_missing,omitempty"`
}

func (o *auditJobsOptions) run(ctx context.Context, out io.Writer) error {
	if o.last < 0 {
		return configError{words.NewError("usage.last", "count", o.last)}
	}
	reader, err := o.reader()
	if err != nil {
		return err
	}
	c, err := o.load()
	if err != nil {
		return err
	}
	list, err := o.jobs(ctx, c)
	if err != nil {
		return notAudited{err}
	}
	more := 0
	if o.last > 0 && len(list) > o.last {
		list, more = list[:o.last], len(list)-o.last
	}
	if o.json {
		return json.NewEncoder(out).Encode(map[string]any{"jobs": list, "more": more})
	}
	return printJobs(out, list, more, reader)
}

// jobs lists the jobs of the selected carts, the newest first: by their closing records, and
// from the journals those that have none.
func (o *auditJobsOptions) jobs(ctx context.Context, c *config.Config) ([]listedJob, error) {
	closings, err := o.summaries(ctx, c)
	if err != nil {
		return nil, err
	}
	list, known, err := o.unrecorded(ctx, c, closings)
	if err != nil {
		return nil, err
	}
	for i := range closings {
		s := &closings[i]
		text := func(name string) string { v, _ := s.Point.Fields[name].(string); return v }
		list = append(list, listedJob{s.Shop, s.Cart, s.Job, text("vehicle"), time.Unix(0, s.OpenedNs), time.Unix(0, s.EndsNs), fillcalc.Phase(text("phase")), false})
	}
	list = slices.DeleteFunc(list, func(j listedJob) bool { return !o.selects(j.Shop, j.Cart) })
	for i := range list {
		if name, is := known[list[i].Vehicle]; is {
			list[i].Vehicle = name
		} else if vehicleToken.MatchString(list[i].Vehicle) {
			list[i].Vehicle = ""
		}
	}
	slices.SortStableFunc(list, func(a, b listedJob) int { return b.Opened.Compare(a.Opened) })
	return list, nil
}

// unrecorded lists the jobs of the journals that have no closing record: those that are open,
// and those whose record is missing; and the names that the journals keep.
func (s *closingSource) unrecorded(ctx context.Context, c *config.Config, closings []audit.Summary) (list []listedJob, known identity.Names, err error) {
	known = identity.Names{}
	look := func(path, shop, cart string) error {
		recorded := map[jobKey]bool{}
		for i := range closings {
			if o := &closings[i]; o.Shop == shop && o.Cart == cart {
				recorded[jobKey{o.Job, o.OpenedNs}] = true
			}
		}
		jobs, names, err := unrecordedIn(ctx, path, recorded)
		for _, job := range jobs {
			job.Shop, job.Cart = shop, cart
			list = append(list, job)
		}
		maps.Copy(known, names)
		return err
	}
	if s.journal != "" {
		shop, cart := s.ofJournal(c)
		err := look(s.journal, shop, cart)
		return list, known, err
	}
	for i := range c.Carts {
		cart := c.Carts[i].Name
		if err := look(c.JournalPath(cart), c.Shop, cart); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, nil, err
		}
	}
	return list, known, nil
}

// jobKey tells jobs of one name apart.
type jobKey struct {
	job      string
	openedNs int64
}

// unrecordedIn lists the jobs of one journal that neither are among the recorded ones nor have
// a closing record in it, and the names that it keeps.
func unrecordedIn(ctx context.Context, path string, recorded map[jobKey]bool) (list []listedJob, names identity.Names, err error) {
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		return nil, nil, err
	}
	defer j.Close()
	if names, err = j.Names(ctx); err != nil {
		return nil, nil, err
	}
	state, _, err := j.Replay(ctx)
	if err != nil {
		return nil, names, err
	}
	if job := &state.Job; job.Phase.Open() {
		recorded[jobKey{job.Spec.ID, job.OpenedNs}] = true
		list = append(list, listedJob{Job: job.Spec.ID, Vehicle: job.Spec.Vehicle, Opened: time.Unix(0, job.OpenedNs), Phase: job.Phase})
	}
	closings, err := j.Closings(ctx)
	if err != nil {
		return nil, names, err
	}
	for i := range closings {
		one := audit.SummaryOf(closings[i], "", "")
		recorded[jobKey{one.Job, one.OpenedNs}] = true
	}
	opened, _, err := j.Opened(ctx)
	for _, o := range opened {
		if !recorded[jobKey{o.ID, o.AtNs}] {
			list = append(list, listedJob{Job: o.ID, Opened: time.Unix(0, o.AtNs), RecordMissing: true})
		}
	}
	return list, names, err
}

// printJobs prints a table of jobs, and what to do with one.
func printJobs(out io.Writer, list []listedJob, more int, r words.Reader) error {
	if len(list) == 0 {
		printWrapped(out, r.Word("jobs.none"), auditWidth)
		return nil
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	row := func(cells ...string) { fmt.Fprintln(table, strings.Join(cells, "\t")) }
	row(r.Word("jobs.job"), r.Word("jobs.cart"), r.Word("jobs.vehicle"), r.Word("jobs.opened"), r.Word("jobs.ended"), r.Word("jobs.phase"))
	for _, j := range list {
		ended := "–"
		if !j.Ended.IsZero() {
			ended = j.Ended.Local().Format(time.DateTime[:16])
		}
		state := "jobs.no_record"
		if !j.RecordMissing {
			state = "phase." + string(j.Phase)
		}
		row(plain(j.Job), plain(strings.TrimPrefix(j.Shop+"/"+j.Cart, "/")), plain(cmp.Or(j.Vehicle, "–")), j.Opened.Local().Format(time.DateTime[:16]), ended, r.Word(state))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	if slices.ContainsFunc(list, func(j listedJob) bool { return j.RecordMissing }) {
		printWrapped(out, r.Word("jobs.no_record_means"), auditWidth)
	}
	if more > 0 {
		printWrapped(out, r.Say(fillcalc.Text{Key: "jobs.more", Figures: figures{"count": float64(more)}}), auditWidth)
	}
	printWrapped(out, r.Word("jobs.look"), auditWidth)
	return nil
}
