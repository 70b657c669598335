package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/journal"
	"bayfill/fillcalc"
)

const budgetConfig = `shop: hilltop
data: DATA
fluids:
  - {name: "amber 6 of the old kind, out of the big drum", density_kg_m3: 848}
carts:
  - name: bay2
    sensors:
      - {name: the-scale-below-the-caddy, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}
  - name: bay3
    sensors:
      - {name: scale, role: caddy+supply, port: b, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}
`

// budgetEvents are two jobs on a cart with one scale, in which 2 kg drain and
// 1.5 kg are poured.
func budgetEvents(fluid fillcalc.Fluid) (events []fillcalc.Event) {
	const scale = "scale"
	atNs := int64(1_760_000_000_000_000_000)
	add := func(e fillcalc.Event) {
		atNs += 100e6
		e.Seq, e.AtNs = uint64(len(events)+1), atNs
		events = append(events, e)
	}
	do := func(in fillcalc.Input) { add(fillcalc.Event{Kind: fillcalc.KindInput, Input: &in}) }
	kg := 10.0
	live := func(seconds, kgS float64) {
		for range int(10 * seconds) {
			kg += kgS / 10
			add(fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: scale, Value: math.Round(kg/0.005) * 0.005})
		}
	}
	do(fillcalc.Input{Do: fillcalc.DoStart, Setup: &fillcalc.Setup{ReferenceC: 20, AirKgM3: 1.2, Scales: []fillcalc.ScaleSetup{
		{Sensor: scale, Load: fillcalc.BothLoad, ResolutionKg: 0.005, RepeatabilityKg: 0.002, GainU: 0.0005, MaxFlowKgS: 0.15}}}})
	live(5, 0)
	for _, id := range []string{"van-6", "van-7"} {
		do(fillcalc.Input{Do: fillcalc.DoOpen, Job: &fillcalc.JobSpec{ID: id, Used: fluid, Fresh: fluid, UsedSpreadU: 0.0017, LowC: 35, HighC: 45, FirstFill: 0.8}})
		live(5, 0)
		do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: fillcalc.Draining})
		live(40, 0.05)
		live(5, 0)
		do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: fillcalc.Filling})
		live(30, -0.05)
		live(5, 0)
		do(fillcalc.Input{Do: fillcalc.DoClose})
	}
	return events
}

// The terms that are printed make up the uncertainty that is published, of any
// job, while a bridge has the journal; and they fit a narrow terminal.
func TestBudget(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "bayfill.yaml")
	if err := os.WriteFile(file, []byte(strings.Replace(budgetConfig, "DATA", dir, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	fluid := fillcalc.Fluid{Name: "amber 6 of the old kind, out of the big drum", Model: fillcalc.Oil2004, DensityKgM3: 848, AtC: 15, DensityU: 0.001}
	events := budgetEvents(fluid)
	j, err := journal.Open(filepath.Join(dir, "bay3.journal"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if err := j.Append(t.Context(), journal.Batch{Events: events}); err != nil {
		t.Fatal(err)
	}

	for _, job := range []string{"van-6", ""} {
		status, out, errors := program(t.Context(), "budget", "--config", file, "--cart", "bay3", job, "--json")
		if status != 0 {
			t.Fatalf("status %d: %s", status, errors)
		}
		var b jobBudget
		if err := json.Unmarshal([]byte(out), &b); err != nil {
			t.Fatalf("%v in %s", err, out)
		}
		if want := map[string]string{"van-6": "van-6", "": "van-7"}[job]; b.Job != want || b.Phase != "closed" || b.ReferenceC != 20 {
			t.Errorf("job %q: %+v", job, b)
		}
		for name, v := range map[string]volumeBudget{"drained": b.Drained, "added": b.Added, "balance": b.Balance} {
			u2 := 0.0
			for _, term := range v.Terms {
				u2 += term.UML * term.UML
			}
			if v.L == nil || v.UL == nil || math.Abs(2*math.Sqrt(u2)/1000-*v.UL) > 1e-12 || len(v.Terms) < 4 {
				t.Errorf("%s: the terms make ± %.6f L: %s", name, 2*math.Sqrt(u2)/1000, out)
			}
			for _, term := range v.Terms {
				if without := math.Sqrt(u2 - term.UML*term.UML); math.Abs(term.WithoutPct-100*(1-without/math.Sqrt(u2))) > 1e-6 {
					t.Errorf("%s: without %s ± would be %.3f %% smaller", name, term.Term, term.WithoutPct)
				}
			}
		}
		// 2 kg of 844.6 kg/m³ with 0.13 % of buoyancy (fillcalc's own tests), and 500 g
		// less: what both have in common is small in the balance.
		if math.Abs(*b.Drained.L-2.371) > 0.005 || math.Abs(*b.Balance.L+0.593) > 0.005 {
			t.Errorf("drained %.4f L, balance %.4f L", *b.Drained.L, *b.Balance.L)
		}
		slopeML := func(v volumeBudget) float64 {
			for _, term := range v.Terms {
				if term.Term == "slope" {
					return term.UML
				}
			}
			return math.NaN()
		}
		if d, b := slopeML(b.Drained), slopeML(b.Balance); math.Abs(d-0.0005*2371) > 0.01 || math.Abs(b-0.0005*593) > 0.01 {
			t.Errorf("the slope makes %.3f mL of drained and %.3f mL of the balance", d, b)
		}
	}

	for lang, says := range map[string]struct{ head, together string }{
		"en": {"Job van-7 on cart bay3, closed", "  together "}, "es": {"Trabajo van-7 en el carro bay3, cerrado", "  en conjunto "},
	} {
		status, out, errors := program(t.Context(), "budget", "--config", file, "--cart", "bay3", "--lang", lang)
		if status != 0 || !strings.Contains(out, says.head) || strings.Count(out, says.together) != 3 {
			t.Errorf("status %d: %s%s", status, out, errors)
		}
		for line := range strings.Lines(out) {
			if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > budgetWidth {
				t.Errorf("%d columns: %s", n, line)
			}
		}
		if lang == "es" {
			bridgetest.Spanish(t, out, fluid.Name)
		}
	}

	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--cart", "bay3", "van-8"}, `job: the journal has no "van-8", it has van-7, van-6`},
		{[]string{"van-7"}, `cart: there are several: name one of bay2, bay3 with --cart`},
		{[]string{"--cart", "bay2"}, "bay2.journal: no such file"},
	} {
		if status, _, errors := program(t.Context(), append([]string{"budget", "--config", file}, c.args...)...); status != 1 || !strings.Contains(errors, c.want) {
			t.Errorf("%v: status %d: %s", c.args, status, errors)
		}
	}
}
