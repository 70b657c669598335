package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/words"
	"bayfill/sim/study"
)

type studyOptions struct {
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
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
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

func (o *studyOptions) run(ctx context.Context, out io.Writer) error {
	switch {
	case o.jobs < 1:
		return words.NewError("usage.at_least_one", "flag", "--jobs", "count", o.jobs)
	case o.job < 0 || o.worst < 0:
		return words.NewError("usage.count_from_one")
	case o.world == allWorlds && (o.job > 0 || o.worst > 0):
		return words.NewError("usage.one_world", "world", allWorlds)
	case o.world != "" && o.job == 0 && o.worst == 0:
		return o.runWorlds(ctx, out)
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
	printStudy(out, figures)
	printWorst(out, jobs, o)
	return nil
}

// jobsOf reads the distribution that the flags name.
func (o *studyOptions) jobsOf() (*study.Distribution, error) {
	switch {
	case o.world != "":
		return study.World(o.world)
	case o.distribution == "":
		return study.DefaultDistribution(), nil
	}
	text, err := os.ReadFile(o.distribution)
	if err != nil {
		return nil, fmt.Errorf("--distribution: %w", err)
	}
	d, err := study.ParseDistribution(text)
	if err != nil {
		return nil, configError{fmt.Errorf("%s: %w", o.distribution, err)}
	}
	return d, nil
}

// printStudy prints the figures and whether they meet their aims, in at most 60 columns.
func printStudy(out io.Writer, f study.Figures) {
	fmt.Fprintf(out, "%d simulated jobs, seed %d. Errors against the truth.\n\n", f.Jobs, f.Seed)
	fmt.Fprintf(out, "%-20s %7s %7s %7s  %s\n", "", "drained", "added", "balance", "aim")
	volumes := []study.Volume{f.Drained, f.Added, f.Balance}
	row := func(name, format string, of func(v study.Volume) float64, aim string, met func(x float64) bool) {
		line, all := fmt.Sprintf("%-20s", name), true
		for _, v := range volumes {
			line += fmt.Sprintf(" %7s", fmt.Sprintf(format, of(v)))
			all = all && (met == nil || met(of(v)))
		}
		fmt.Fprintln(out, strings.TrimRight(line+"  "+verdict(aim, all), " "))
	}
	row("bias, %", "%+.2f", func(v study.Volume) float64 { return v.BiasPct }, "≤ 0.2", func(x float64) bool { return math.Abs(x) <= 0.2 })
	row("sd, mL", "%.1f", func(v study.Volume) float64 { return v.SdML }, "", nil)
	row("95 % within, mL", "%.1f", func(v study.Volume) float64 { return v.P95ML }, "", nil)
	row("  taken to 4 L", "%.1f", func(v study.Volume) float64 { return v.P95On4LML }, "≤ 20", func(x float64) bool { return x <= 20 })
	row("covered by U, %", "%.1f", func(v study.Volume) float64 { return v.CoveragePct }, "93–98", func(x float64) bool { return x >= 93 && x <= 98 })
	row("median U, mL", "%.1f", func(v study.Volume) float64 { return v.MedianUML }, "", nil)
	row("by hand within, mL", "%.0f", func(v study.Volume) float64 { return v.ManualP95ML }, "", nil)
	row("  taken to 4 L", "%.0f", func(v study.Volume) float64 { return v.ManualOn4LML }, "", nil)
	row("by hand / measured", "%.1f", func(v study.Volume) float64 { return v.Ratio }, "≥ 8", func(x float64) bool { return x >= 8 })
	fmt.Fprintln(out)
	one := func(name, figure string) { fmt.Fprintf(out, "%-30s %13s\n", name, figure) }
	one("moves that were no fluid", fmt.Sprint(f.Moves))
	one("streams", fmt.Sprint(f.Streams))
	one("asked per job", fmt.Sprintf("%.1f", f.AskedPerJob))
	one("who looks can answer, %", fmt.Sprintf("%.0f", f.ClearPct))
	one("answer needed in, s", fmt.Sprintf("%.0f", f.NeededP50S))
	one("jobs that could not be closed", fmt.Sprint(f.NotClosed))
}

func verdict(aim string, met bool) string {
	switch {
	case aim == "":
		return ""
	case met:
		return aim + " met"
	}
	return aim + " MISSED"
}

func printWorst(out io.Writer, jobs []study.Job, o *studyOptions) {
	slices.SortStableFunc(jobs, func(a, b study.Job) int { return cmp.Compare(b.OverU(), a.OverU()) })
	for _, j := range jobs[:min(o.worst, len(jobs))] {
		fmt.Fprintf(out, "\n--seed %d --job %d: %.1f U\n", o.seed, j.Number, j.OverU())
		for _, v := range []struct {
			name string
			study.Figure
		}{{"drained", j.Drained}, {"added", j.Added}, {"balance", j.Balance}} {
			fmt.Fprintf(out, "  %-8s %+8.1f ± %.1f mL\n", v.name, 1000*v.ErrorL(), 1000*v.UL)
		}
		if j.Refused != "" {
			fmt.Fprintln(out, "  close was refused: "+j.Refused)
		}
	}
}
