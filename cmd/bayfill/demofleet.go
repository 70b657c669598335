package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// The invented head office: its carts do two jobs a day, in workshops whose scales are good,
// except that one scale moves after two thirds of the time.
const (
	fleetCarts   = 20
	fleetWeeks   = 8
	fleetJobs    = 2 * 5 * fleetWeeks // of each cart
	movedCart    = 7
	movedShare   = 0.008
	movedFromJob = fleetJobs * 2 / 3
)

func demoFleetCommand() *cobra.Command {
	var dir string
	var seed uint64
	var reads readerFlags
	cmd := &cobra.Command{
		Use:     "fleet",
		Short:   "help.demo_fleet",
		Long:    "help.demo_fleet_more",
		Example: "  bayfill demo fleet",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			dir, err := prepareFolder(dir, filepath.Join(os.TempDir(), "bayfill-fleet"))
			if err != nil {
				return err
			}
			reader, err := reads.reader("")
			if err != nil {
				return err
			}
			return demoFleet(cmd.Context(), cmd.OutOrStdout(), reader, dir, seed, time.Now())
		},
	}
	reads.add(cmd.Flags())
	cmd.Flags().StringVar(&dir, "dir", "", "flag.dir")
	cmd.Flags().Uint64Var(&seed, "seed", 1, "flag.seed_fleet")
	return cmd
}

func demoFleet(ctx context.Context, out io.Writer, reader words.Reader, dir string, seed uint64, now time.Time) error {
	text, file := fleetConfig(dir), filepath.Join(dir, configName)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		return err
	}
	conf, err := config.Parse([]byte(text))
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(seed, 0))
	for i := range conf.Carts {
		if err := inventJobs(ctx, conf.JournalPath(conf.Carts[i].Name), i+1, rng, now); err != nil {
			return err
		}
	}
	closings, err := configClosings(ctx, conf)
	if err != nil {
		return err
	}
	fleet := audit.FleetOf(closings, audit.FleetQuery{SinceNs: now.AddDate(0, 0, -7*fleetWeeks-1).UnixNano(), UntilNs: now.UnixNano()})
	page := filepath.Join(dir, "fleet.html")
	if err := writeFile(page, func(w io.Writer) error { return fleet.WriteHTML(w, reader) }); err != nil {
		return err
	}
	table := fleetTable{out, reader}
	table.say("", "fleet.invented", figures{"carts": float64(len(fleet.Carts)), "jobs": float64(len(closings)), "weeks": fleetWeeks, "moved_pct": 100 * movedShare},
		names{"cart": fleetCartName(movedCart)})
	table.drifts(fleet)
	if slices.ContainsFunc(fleet.Carts, func(g *audit.FleetGroup) bool { return g.Cart != fleetCartName(movedCart) && len(g.Drifts(reader)) > 0 }) {
		fmt.Fprintln(out)
		table.say("", "fleet.invented_chance", nil, nil)
	}
	fmt.Fprintf(out, "\n%s: %s\n%s: %s audit fleet --config %s --html fleet.html\n", reader.Word("fleet.charts"), page, reader.Word("fleet.in_full"), invocation(), file)
	return openInBrowser(ctx, page)
}

func fleetCartName(cart int) string { return fmt.Sprintf("bay%02d", cart) }

// fleetConfig is a configuration with all carts.
func fleetConfig(dir string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Written for the demo of the head office.\nshop: %s\ndata: %s\nfluids:\n  - {name: %s, density_kg_m3: %g}\ncarts:\n",
		demoShop, filepath.Join(dir, "data"), demoFresh.Name, demoFresh.Density15KgM3)
	for i := range fleetCarts {
		port := func(name string) string { return filepath.Join(portsFolder(dir), fmt.Sprintf("%s-%d", name, i+1)) }
		fmt.Fprintf(&b, `  - name: %s
    sensors:
      - {name: caddy-scale, role: caddy, port: %s, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}
      - {name: supply-scale, role: supply, port: %s, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}
      - {name: fluid-probe, role: transmission-temp, port: %s, protocol: line, pattern: temperature}
`, fleetCartName(i+1), port("caddy-scale"), port("supply-scale"), port("fluid-probe"))
	}
	return b.String()
}

// inventJobs writes a journal that holds the closing records of a cart's jobs.
func inventJobs(ctx context.Context, path string, cart int, rng *rand.Rand, now time.Time) (err error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	j, err := journal.Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	var batch journal.Batch
	const every = fleetWeeks * 7 * 24 * time.Hour / fleetJobs
	for n := range fleetJobs {
		at := now.Add(-time.Duration(fleetJobs-n) * every).UnixNano()
		e := fillcalc.Event{Seq: uint64(n + 1), AtNs: at, Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoTick}}
		batch.Events = append(batch.Events, e)
		batch.Note(points.Published{Measurement: points.JobMeasurement, Seq: e.Seq, Fields: inventClosing(cart, n, at, now, rng)})
	}
	batch.LinkChain(points.Chain{})
	return j.Append(ctx, batch)
}

// inventClosing draws the closing record of a cart's job. Its scatter is that of scales of
// 5 g (bayfill study); how often a level is judged too late is invented.
func inventClosing(cart, n int, at int64, now time.Time, rng *rand.Rand) string {
	drained := 4 + 0.3*rng.NormFloat64()
	target := drained + 0.02*rng.NormFloat64()
	added := target + 0.008*rng.NormFloat64()
	bottles := 0.003 * rng.NormFloat64()
	if cart == movedCart && n >= movedFromJob {
		added, bottles = added*(1-movedShare), bottles+movedShare
	}
	window := "open"
	if rng.IntN(30) == 0 {
		window = "above"
	}
	calibrated := now.AddDate(0, 0, -7*fleetWeeks-20-cart).UnixNano()
	return fmt.Sprintf(`fold=%di,job="%s-%d",vehicle="van",phase="closed",fluid="%s",opened_ns=%di,ended_ns=%di,seq=%di,changes=1i,passes=1i,`+
		`drained_l=%.4f,drained_u_l=0.012,added_l=%.4f,added_u_l=0.012,balance_l=%.4f,balance_u_l=0.017,out_l=%.4f,out_u_l=0.012,target_l=%.4f,typical_l=4,`+
		`low_c=35,high_c=45,level="right",level_window=%q,level_c=40.5,check_slope=%.5f,check_slope_sensor="supply-scale",`+
		`caddy_slope=%.5f,caddy_calibrated_ns=%di,supply_slope=%.5f,supply_calibrated_ns=%di`,
		fillcalc.FoldVersion, fleetCartName(cart), n+1, demoFresh.Name, at-int64(time.Hour), at, n+1,
		drained, added, added-drained, drained, target, window, bottles,
		1+1e-5*float64(cart), calibrated, 1-1e-5*float64(cart), calibrated)
}

// openInBrowser opens a page where there is a screen; elsewhere the printed path must do.
func openInBrowser(ctx context.Context, page string) error {
	program, err := exec.LookPath("xdg-open")
	if err != nil || os.Getenv("DISPLAY") == "" && os.Getenv("WAYLAND_DISPLAY") == "" {
		return nil
	}
	return exec.CommandContext(ctx, program, page).Run()
}
