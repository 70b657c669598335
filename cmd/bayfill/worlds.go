package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"bayfill/bridge/words"
	"bayfill/sim/study"
)

// allWorlds stands for the name of every world.
const allWorlds = "all"

// worldFigures is one line of the table of worlds.
type worldFigures struct {
	World string `json:"world"`
	study.Figures
}

// runWorlds plays the same jobs in one world or in all, and prints a table or one JSON
// object. A line of the table is printed as soon as its world has been played.
func (o *studyOptions) runWorlds(ctx context.Context, r words.Reader, out io.Writer) error {
	names := []string{o.world}
	if o.world == allWorlds {
		names = study.Worlds()
	} else if _, err := study.World(o.world); err != nil {
		return fmt.Errorf("--world: %w", err)
	}
	if !o.json {
		fmt.Fprintln(out, studyHead(r, "study.worlds", o.jobs, o.seed)+"\n")
		fmt.Fprintf(out, worldRow, r.Word("study.col_world"), "95 % mL/4 L", r.Word("study.col_within"), "U mL", r.Word("study.col_worst"), r.Word("study.col_ask"), r.Word("study.col_gross"), r.Word("study.col_live")) // gross, and how many of them were silent
	}
	worlds := make([]worldFigures, 0, len(names))
	for _, name := range names {
		d, err := study.World(name)
		if err != nil {
			return err
		}
		jobs, err := study.Run(ctx, d, o.seed, o.jobs)
		if err != nil {
			return err
		}
		f := study.Summarize(jobs, o.seed)
		worlds = append(worlds, worldFigures{name, f})
		if !o.json {
			printWorld(out, name, f)
		}
	}
	if !o.json {
		return nil
	}
	return json.NewEncoder(out).Encode(struct {
		Seed   uint64         `json:"seed"`
		Worlds []worldFigures `json:"worlds"`
	}{o.seed, worlds})
}

// worldRow has at most 79 columns.
const worldRow = "%-11s %13s %11s %8s %5s %4s %5s %7s\n"

func printWorld(out io.Writer, name string, f study.Figures) {
	three := func(of func(v study.Volume) float64) string {
		return fmt.Sprintf("%.0f/%.0f/%.0f", of(f.Drained), of(f.Added), of(f.Balance))
	}
	fmt.Fprintf(out, worldRow, name,
		three(func(v study.Volume) float64 { return v.P95On4LML }),
		three(func(v study.Volume) float64 { return v.CoveragePct }),
		three(func(v study.Volume) float64 { return v.MedianUML }),
		fmt.Sprintf("%.0f", max(f.Drained.WorstML, f.Added.WorstML, f.Balance.WorstML)),
		fmt.Sprintf("%.1f", f.AskedPerJob), fmt.Sprintf("%d/%d", f.Gross, f.GrossSilent),
		fmt.Sprintf("%.0f/%.0f", f.LiveP50ML, f.LiveP95ML))
}
