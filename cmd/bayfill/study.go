package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

type studyOptions struct {
	languageFlag
	jobs         int
	seed         uint64
	distribution string
	world        string
	json         bool
	worst        int
	job          int
}

func studyCommand() *cobra.Command {
	var o studyOptions
	cmd := &cobra.Command{
		Use:     "study",
		Short:   "help.study",
		Example: "  bayfill study --jobs 200 --world wind_10",
		Long:    "help.study_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			reader, err := o.reader()
			if err != nil {
				return err
			}
			return o.run(cmd.Context(), reader, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	o.languageFlag.add(f)
	f.IntVar(&o.jobs, "jobs", 1000, "flag.jobs")
	f.Uint64Var(&o.seed, "seed", 1, "flag.seed_study")
	f.StringVar(&o.distribution, "distribution", "", "flag.distribution")
	f.StringVar(&o.world, "world", "", "flag.world")
	f.BoolVar(&o.json, "json", false, "flag.json_study")
	f.IntVar(&o.worst, "worst", 0, "flag.worst")
	f.IntVar(&o.job, "job", 0, "flag.job_study")
	apart(cmd, "json", "worst", "job")
	apart(cmd, "world", "distribution")
	return cmd
}

func (o *studyOptions) run(ctx context.Context, r words.Reader, out io.Writer) error {
	switch {
	case o.jobs < 1:
		return words.NewError("usage.at_least_one", "flag", "--jobs", "count", o.jobs)
	case o.job < 0 || o.worst < 0:
		return words.NewError("usage.count_from_one")
	case o.world == allWorlds && (o.job > 0 || o.worst > 0):
		return words.NewError("usage.one_world", "world", allWorlds)
	case o.world != "" && o.job == 0 && o.worst == 0:
		return o.runWorlds(ctx, r, out)
	}
	d, err := o.jobsOf()
	if err != nil {
		return err
	}
	if o.job > 0 {
		study.Play(d, o.seed, o.job, out)
		return nil
	}
	jobs, err := study.Run(ctx, d, o.seed, o.jobs)
	if err != nil {
		return err
	}
	figures := study.Summarize(jobs, o.seed)
	if o.json {
		return json.NewEncoder(out).Encode(figures)
	}
	printStudy(out, r, figures)
	printWorst(out, r, jobs, o)
	return nil
}

// jobsOf reads the distribution that the flags name.
func (o *studyOptions) jobsOf() (*study.Distribution, error) {
	switch {
	case o.world != "":
		d, err := study.World(o.world)
		if err != nil {
			return nil, fmt.Errorf("--world: %w", err)
		}
		return d, nil
	case o.distribution == "":
		return study.DefaultDistribution(), nil
	}
	text, err := os.ReadFile(o.distribution)
	if err != nil {
		return nil, fmt.Errorf("--distribution: %w", err)
	}
	d, err := study.ParseDistribution(text)
	if err != nil {
		var wrong *study.DistributionError
		if errors.As(err, &wrong) {
			err = words.NewError("config.line", "line", wrong.Line, "why", wrong.Why)
		}
		return nil, configError{fmt.Errorf("%s: %w", o.distribution, err)}
	}
	return d, nil
}

// printStudy prints the figures and whether they meet their aims, in at most 60 columns.
func printStudy(out io.Writer, r words.Reader, f study.Figures) {
	fmt.Fprintln(out, studyHead(r, "study.head", f.Jobs, f.Seed)+"\n")
	fmt.Fprintf(out, "%-20s %7s %7s %7s  %s\n", "", r.Word("study.drained"), r.Word("study.added"), r.Word("study.balance"), r.Word("study.aim"))
	volumes := []study.Volume{f.Drained, f.Added, f.Balance}
	row := func(name, format string, of func(v study.Volume) float64, aim string, met func(x float64) bool) {
		line, all := fmt.Sprintf("%-20s", name), true
		for _, v := range volumes {
			line += fmt.Sprintf(" %7s", fmt.Sprintf(format, of(v)))
			all = all && (met == nil || met(of(v)))
		}
		fmt.Fprintln(out, strings.TrimRight(line+"  "+verdict(r, aim, all), " "))
	}
	row(r.Word("study.bias"), "%+.2f", func(v study.Volume) float64 { return v.BiasPct }, "≤ 0.2", func(x float64) bool { return math.Abs(x) <= 0.2 })
	row(r.Word("study.sd"), "%.1f", func(v study.Volume) float64 { return v.SdML }, "", nil)
	row(r.Word("study.within"), "%.1f", func(v study.Volume) float64 { return v.P95ML }, "", nil)
	row("  "+r.Word("study.on_four"), "%.1f", func(v study.Volume) float64 { return v.P95On4LML }, "≤ 20", func(x float64) bool { return x <= 20 })
	row(r.Word("study.covered"), "%.1f", func(v study.Volume) float64 { return v.CoveragePct }, "93–98", func(x float64) bool { return x >= 93 && x <= 98 })
	row(r.Word("study.median"), "%.1f", func(v study.Volume) float64 { return v.MedianUML }, "", nil)
	row(r.Word("study.by_hand"), "%.0f", func(v study.Volume) float64 { return v.ManualP95ML }, "", nil)
	row("  "+r.Word("study.on_four"), "%.0f", func(v study.Volume) float64 { return v.ManualOn4LML }, "", nil)
	row(r.Word("study.ratio"), "%.1f", func(v study.Volume) float64 { return v.Ratio }, "≥ 8", func(x float64) bool { return x >= 8 })
	fmt.Fprintln(out)
	one := func(name, figure string) { fmt.Fprintf(out, "%-30s %13s\n", r.Word(name), figure) }
	one("study.moves", fmt.Sprint(f.Moves))
	one("study.streams", fmt.Sprint(f.Streams))
	one("study.asked", fmt.Sprintf("%.1f", f.AskedPerJob))
	one("study.clear", fmt.Sprintf("%.0f", f.ClearPct))
	one("study.needed", fmt.Sprintf("%.0f", f.NeededP50S))
	one("study.not_closed", fmt.Sprint(f.NotClosed))
}

// studyHead says how many jobs of which seed follow. A seed is no amount and is never rounded.
func studyHead(r words.Reader, key string, jobs int, seed uint64) string {
	return r.Say(fillcalc.Text{Key: key, Figures: figures{"count": float64(jobs)}, Names: names{"seed": fmt.Sprint(seed)}})
}

func verdict(r words.Reader, aim string, met bool) string {
	switch {
	case aim == "":
		return ""
	case met:
		return aim + " " + r.Word("study.met")
	}
	return aim + " " + r.Word("study.missed")
}

func printWorst(out io.Writer, r words.Reader, jobs []study.Job, o *studyOptions) {
	slices.SortStableFunc(jobs, func(a, b study.Job) int { return cmp.Compare(b.OverU(), a.OverU()) })
	for _, j := range jobs[:min(o.worst, len(jobs))] {
		fmt.Fprintf(out, "\n--seed %d --job %d: %.1f U\n", o.seed, j.Number, j.OverU())
		for _, v := range []struct {
			name string
			study.Figure
		}{{"study.drained", j.Drained}, {"study.added", j.Added}, {"study.balance", j.Balance}} {
			fmt.Fprintf(out, "  %-8s %+8.1f ± %.1f mL\n", r.Word(v.name), 1000*v.ErrorL(), 1000*v.UL)
		}
		if j.Refused != "" {
			fmt.Fprintln(out, "  "+r.Say(fillcalc.Text{Key: "study.close_refused", Names: names{"reason": j.Refused}}))
		}
	}
}
