package bridge

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/fillcalc"
)

// near tells whether a published figure is what it should be.
func near(t *testing.T, what string, got number, want, within float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= within) {
		t.Errorf("%s: %v, want %v within %v", what, got, want, within)
	}
}

func terms(list []BudgetTerm) (names []string) {
	for _, term := range list {
		names = append(names, term.Name)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// What people enter and the service data say comes out as plan, entries, tail,
// uncertainty and what ran over.
func TestJobLeaf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines))
		if m := newest[JobMessage](l, JobLeaf); m.Plan != nil || m.Tail != nil || len(m.Entered) != 0 {
			t.Errorf("without a job: %+v", m)
		}
		l.live(3, 0, 0)
		l.must(`"do":"open","fluid":"fresh","used_fluid":"used","low_c":35,"high_c":45,"check":"overflow","typical_l":8,"total_l":9,"bottle_l":1`,
			`"do":"phase","phase":"draining"`)
		l.live(40, 0.05, 0)
		// The flow of a film that runs off (Jeffreys) falls with time to the power 1.5.
		for s := 1.0; s < 180; s++ {
			l.live(1, 0.5/math.Pow(s+10, 1.5), 0)
		}
		m := newest[JobMessage](l, JobLeaf)
		if m.Tail == nil || !m.Tail.Drips {
			t.Fatalf("tail %+v", m.Tail)
		}
		// What that film still gives: 1 kg·√s·(1/√(190 s) - 1/√(490 s)).
		near(t, "litres in five minutes", m.Tail.In5MinL, (1/math.Sqrt(190)-1/math.Sqrt(490))/0.855, 2*float64(m.Tail.In5MinUL))
		near(t, "litres a minute", m.Tail.FlowLMin, 60*0.5/math.Pow(190, 1.5)/0.855, 0.005)

		drained := float64(m.Tally.DrainedL)
		near(t, "target", m.Plan.TargetL, drained, 0.01)
		l.must(`"do":"enter","what":"spilled","l":0.25,"u_l":0.05,"by":"mara"`,
			`"do":"enter","what":"retained","l":0.4,"u_l":0.02`,
			`"do":"enter","what":"retained","l":-0.1`,
			`"do":"enter","what":"level","l":0.3`,
			`"do":"enter","what":"dipstick","share":0.4`)
		m = newest[JobMessage](l, JobLeaf)
		target := float64(m.Plan.TargetL)
		// At 40 °C used and fresh oil of nearly one density grow alike; the level's
		// correction is at 40 °C and 1.5 % less at 20 °C.
		near(t, "target with what was entered", m.Plan.TargetL, drained+0.25+0.3+0.3*0.985, 0.012)
		near(t, "first fill", m.Plan.FirstFillL, 0.8*target, 0.001)
		near(t, "u of the target", m.Plan.TargetUL, 2*math.Hypot(0.05, 0.02), 0.01)
		if *m.Plan.Bottles != int(math.Ceil(target)) || *m.Plan.BottlesOpened != 0 {
			t.Errorf("%d bottles for %v L, %d opened", *m.Plan.Bottles, target, *m.Plan.BottlesOpened)
		}
		if len(m.Entered) != 5 || m.Entered[0].What != "spilled" || m.Entered[0].By != "mara" || m.Entered[0].UL != 0.05 || m.Entered[4].Share != 0.4 || m.EnteredLeftOut != 0 {
			t.Errorf("entered: %+v", m.Entered)
		}
		if names := terms(m.Uncertainty.Drained); !slices.Equal(names, []string{"density of the air", "density of the fluid", "drift of the scale", "slope of the scale", "weighing at the end", "weighing at the start"}) {
			t.Errorf("terms of drained: %v", names)
		}
		pct := number(0)
		for _, term := range m.Uncertainty.Balance {
			pct += term.Pct
		}
		near(t, "shares of the balance", pct, 100, 0.01)

		l.must(`"do":"phase","phase":"filling"`)
		if m := newest[JobMessage](l, JobLeaf); m.Tail != nil {
			t.Errorf("a tail while filling: %+v", m.Tail)
		}
		l.live(30, 0, 0.05)
		l.live(5, 0, 0)
		m = newest[JobMessage](l, JobLeaf)
		// 1.5 kg shown, with 0.13 % of buoyancy, of 842.7 kg/m³ at 20 °C.
		near(t, "added", m.Tally.AddedL, 1.782, 0.004)
		near(t, "remaining to the first fill", m.Plan.RemainingL, 0.8*target-float64(m.Tally.AddedL), 0.005)
		if *m.Plan.BottlesOpened != 2 {
			t.Errorf("%d bottles opened for 1.78 L", *m.Plan.BottlesOpened)
		}
		if kinds := planKinds(m); !slices.Contains(kinds, string(fillcalc.NoteLittle)) {
			t.Errorf("notes: %v, want the word that 8 L are typical", kinds)
		}

		l.must(`"do":"phase","phase":"checking"`)
		before := newest[JobMessage](l, JobLeaf).Tally
		l.live(20, 0.02, 0)
		l.live(5, 0, 0)
		m = newest[JobMessage](l, JobLeaf)
		near(t, "ran over", m.OverflowL, 0.4*1.0013/0.8427, 0.01)
		near(t, "drained in spite of that", m.Tally.DrainedL, float64(before.DrainedL), 1e-9)
		near(t, "balance", m.Tally.BalanceL, float64(before.BalanceL)-float64(m.OverflowL), 0.002)
		if !(m.OverflowUL > 0.005 && m.OverflowUL < 0.05) {
			t.Errorf("± %v L of what ran over", m.OverflowUL)
		}
	})
}

func planKinds(m JobMessage) (kinds []string) {
	for _, note := range m.Plan.Notes {
		kinds = append(kinds, note.Kind)
	}
	return kinds
}

// A fluid without a data sheet is weighed before the job: it is listed in about,
// has a name that open knows, and is still there after a restart.
func TestDensityIsMeasured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := lonelyConfig(t, memoryDir(t), caddyLines, supplyLines)
		l := startLonely(t, config)
		l.live(3, 0, 0)
		refused := func(command, says string) {
			t.Helper()
			if r := l.send(fmt.Sprintf(`{"id":"r%d",%s}`, l.state.Seq, command)); r.OK || !strings.Contains(r.Error, says) {
				t.Errorf("%s: %+v, want %q", command, r, says)
			}
		}
		const open = `"do":"open","fluid":"no sheet","low_c":35,"high_c":45`
		refused(open, `fluid: "no sheet" is not configured, known are fresh, used`)
		refused(`"do":"density","sensor":"supply","fluid":"no sheet","l":1`, "weigh the full bottle on scale supply first")
		refused(`"do":"weigh","sensor":"suply"`, `sensor: "suply" is no scale of this cart`)
		l.must(`"do":"weigh","sensor":"supply"`)
		refused(`"do":"density","sensor":"supply","fluid":"no sheet","l":1`, "empty the bottle first")
		// 1 L of 850 kg/m³ at 20 °C, less the film that stays in it (0.15 %), and less
		// 0.13 % of buoyancy.
		l.live(17, 0, 0.85*0.9985*0.9987/17)
		l.live(5, 0, 0)
		l.must(`"do":"density","sensor":"supply","fluid":"no sheet","l":1`)
		about := newest[About](l, AboutLeaf)
		if len(about.Measured) != 1 || about.Measured[0].Name != "no sheet" || about.Measured[0].AtC != 20 {
			t.Fatalf("measured: %+v", about.Measured)
		}
		near(t, "density", about.Measured[0].DensityKgM3, 850, 8)
		if u := about.Measured[0].UPct; !(u > 0.1 && u < 2) {
			t.Errorf("u of %v %%", u)
		}
		l.stop()
		l = startLonely(t, config)
		l.live(3, 0, 0)
		if again := newest[About](l, AboutLeaf); !slices.Equal(again.Measured, about.Measured) {
			t.Errorf("after a restart: %+v", again.Measured)
		}
		l.must(open, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.live(5, 0, 0)
		if m := newest[JobMessage](l, JobLeaf); m.Fluid != "no sheet" || m.UsedFluid != "no sheet" {
			t.Errorf("fluids: %s, %s", m.Fluid, m.UsedFluid)
		}
		near(t, "drained", newest[VolumesMessage](l, VolumesLeaf).DrainedL, 1*1.0013/float64(about.Measured[0].DensityKgM3)*1000, 0.02)
		refused(`"do":"weigh","sensor":"caddy"`, "scale caddy counts for job")
	})
}

// Bottles are counted where no scale stands under the supply.
func TestBottlesAreEntered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines))
		l.live(3, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		l.live(40, 0.05, 0)
		l.live(5, 0, 0)
		l.must(`"do":"phase","phase":"filling"`, `"do":"enter","what":"bottle","l":1,"share":1`, `"do":"enter","what":"bottle","l":1,"share":0.5`)
		m := newest[JobMessage](l, JobLeaf)
		near(t, "added", m.Tally.AddedL, 1.5, 0.0005)
		if names := terms(m.Uncertainty.Added); !slices.Equal(names, []string{"labels of the bottles"}) || !(m.Tally.AddedUL > 0.01) {
			t.Errorf("± %v L from %v", m.Tally.AddedUL, names)
		}
		near(t, "remaining", m.Tally.RemainingL, 0.8*float64(m.Plan.TargetL)-1.5, 0.0005)
	})
}

// A push that stays for longer than anybody leans looks like fluid, and its end
// like nothing known: the alert asks, a person says lean, and the tally is what
// it was.
func TestLeanIsDecided(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines))
		l.live(3, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.live(20, 0, 0)
		before := newest[VolumesMessage](l, VolumesLeaf)
		l.live(20, 0.06, 0)
		l.live(90, 0, 0)
		near(t, "drained while somebody leans", newest[VolumesMessage](l, VolumesLeaf).DrainedL, float64(before.DrainedL)+1.2/0.8545*1.0013, 0.02)
		l.live(20, -0.06, 0)
		l.live(10, 0, 0)
		m := newest[JobMessage](l, JobLeaf)
		if len(m.Undecided) != 1 || m.Undecided[0].Cause != string(fillcalc.Backward) {
			t.Fatalf("undecided: %+v", m.Undecided)
		}
		if text := alertTexts(newest[AlertsMessage](l, AlertsLeaf))["job:step:1"]; !strings.Contains(text, "scale caddy moved by -1.") {
			t.Errorf("alert %q", text)
		}
		l.must(`"do":"decide","step":1,"as":"lean","by":"mara"`)
		l.live(1, 0, 0)
		near(t, "drained", newest[VolumesMessage](l, VolumesLeaf).DrainedL, float64(before.DrainedL), 0.01)
		if m = newest[JobMessage](l, JobLeaf); len(m.Undecided) != 0 || len(m.Decided) != 1 || m.Decided[0].As != "lean" || m.Decided[0].By != "mara" {
			t.Errorf("decided: %+v", m.Decided)
		}
		if text, there := alertTexts(newest[AlertsMessage](l, AlertsLeaf))["job:step:1"]; there {
			t.Errorf("the alert stays: %s", text)
		}
	})
}

// A job whose scale has died can be closed, but only by somebody who says why,
// and the tally says it for ever.
func TestCloseWithAWhy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines))
		l.live(3, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.live(5, 0, 0)
		delete(l.ports, "caddy")
		l.live(10, 0, 0)
		if r := l.send(`{"id":"a","do":"close"}`); r.OK || r.Error != "do: scale caddy is silent, what came meanwhile would never be known: see to it, or close with a why" {
			t.Errorf("closed although the scale is dead: %+v", r)
		}
		l.must(`"do":"close","why":"the cable is torn"`)
		if m := newest[JobMessage](l, JobLeaf); m.Phase != "closed" || m.Why != "the cable is torn" {
			t.Errorf("%s, %q", m.Phase, m.Why)
		}
		v := newest[VolumesMessage](l, VolumesLeaf)
		near(t, "drained", v.DrainedL, 1*1.0013/0.8545, 0.01)
		if v.Quality != "closed although not all was measured: the cable is torn" {
			t.Errorf("quality %q", v.Quality)
		}
	})
}

// What is wrong with a job is an alert while it is, and no longer.
func TestJobAlertsBeginAndEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines))
		has := func(kind, says string) {
			t.Helper()
			text, there := alertTexts(newest[AlertsMessage](l, AlertsLeaf))[kind]
			if there != (says != "") || !strings.Contains(text, says) {
				t.Errorf("alert %s is %q, want %q", kind, text, says)
			}
		}
		l.supplyKg = 20
		l.live(3, 0, 0)
		l.must(openTestJob+`,"balance_band_l":0.5`, `"do":"phase","phase":"running"`)
		l.live(10, 0.05, 0.05)
		has("job:balance", "")
		l.live(30, 0.05, 0.02)
		has("job:balance", "less is in than came out, the band is 0.50 L: change one of the streams")
		l.live(5, 0, 0)
		has("job:balance", "")
		has("job:caddy", "")
		// The caddy holds 12 L; 10 kg lie in it, and it weighs 2.4 kg itself.
		l.live(90, 0.08, 0)
		l.live(5, 0, 0)
		has("job:caddy", "the caddy has room for 0.")
		l.caddyKg = 2.4
		l.live(6, 0, 0)
		has("job:caddy", "")
		l.must(`"do":"decide","step":1,"as":"swap"`, `"do":"close"`)
		if m := newest[AlertsMessage](l, AlertsLeaf); len(m.Alerts) != 0 && slices.ContainsFunc(m.Alerts, func(a Alert) bool { return strings.HasPrefix(a.Kind, "job:") }) {
			t.Errorf("after the job: %+v", m.Alerts)
		}
	})
}

// The engine's coolant stands in for a probe that there is not, and the leaf
// says so; with the capacity known it says what the temperature does to the
// level.
func TestWindowSaysWhereItLooks(t *testing.T) {
	const coolantLines = `{name: coolant, role: coolant-temp, port: d, protocol: line, pattern: temperature, unit: C}`
	for _, c := range []struct{ sensors, source, quality string }{
		{probeLines, "fluid", "good"},
		{coolantLines, "coolant", "coolant: probe coolant stands in for the fluid's temperature"},
		{probeLines + ", " + coolantLines, "fluid", "good"},
		{"", "none", "no temperature probe is configured"},
	} {
		t.Run(c.source, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				sensors := []string{caddyLines}
				if c.sensors != "" {
					sensors = append(sensors, c.sensors)
				}
				l := startLonely(t, lonelyConfig(t, memoryDir(t), sensors...))
				l.must(openTestJob + `,"total_l":9,"between_marks_l":0.4`)
				for range 20 {
					l.say("probe", "+036.00 C\r\n")
					l.say("coolant", "+036.00 C\r\n")
					time.Sleep(500 * time.Millisecond)
				}
				w := newest[WindowMessage](l, WindowLeaf)
				if w.Source != c.source || !strings.HasPrefix(w.Quality, c.quality) {
					t.Errorf("source %s, quality %s", w.Source, w.Quality)
				}
				if c.source == "none" {
					if !math.IsNaN(float64(w.LevelShiftML)) || w.State != "blind" {
						t.Errorf("%+v", w)
					}
					return
				}
				// 4 °C below the middle, 9 L of 846 kg/m³, whose expansion there is by ASTM
				// D1250 Table 54D, from the published formula: α(1 + 1.6·α·23 °C), α = 0.6278/846.
				near(t, "mL", w.LevelShiftML, -9000*4*0.000762, 0.3)
				near(t, "share of the marks", w.LevelShiftShare, float64(w.LevelShiftML)/400, 0.001)
				if w.State != "open" {
					t.Errorf("the window is %s at 36 °C", w.State)
				}
			})
		})
	}
}

// However much a job holds and however long the names are, its leaf fits into
// what brokers take, and says what it leaves out.
func TestJobLeafIsBounded(t *testing.T) {
	long := strings.Repeat("<", longestText) // six bytes each in JSON
	used := fillcalc.Fluid{Name: long, Model: fillcalc.Oil2004, DensityKgM3: 858, AtC: 15, DensityU: 0.001}
	fresh := used
	fresh.Name = ">" + long[1:]
	state := func(entries, steps int, by string) *fillcalc.State {
		var s fillcalc.State
		seq := uint64(0)
		apply := func(in fillcalc.Input) {
			seq++
			s = fillcalc.Apply(s, fillcalc.Event{Seq: seq, AtNs: int64(seq) * 1e9, Kind: fillcalc.KindInput, Input: &in})
		}
		name := strings.Repeat("n", 32)
		apply(fillcalc.Input{Do: fillcalc.DoStart, Setup: &fillcalc.Setup{ReferenceC: 20, AirKgM3: 1.2, Scales: []fillcalc.ScaleSetup{
			{Sensor: name, Load: fillcalc.CaddyLoad, ResolutionKg: 0.005, MaxFlowKgS: 0.15, GainU: 0.0005},
			{Sensor: "supply", Load: fillcalc.SupplyLoad, ResolutionKg: 0.005, MaxFlowKgS: 0.15, GainU: 0.0005}}}})
		apply(fillcalc.Input{Do: fillcalc.DoOpen, Job: &fillcalc.JobSpec{ID: strings.Repeat("j", 64), Vehicle: long, Used: used, Fresh: fresh, UsedSpreadU: 0.001,
			LowC: 35, HighC: 45, FirstFill: 0.8, TypicalL: 4, TotalL: 9, BottleL: 1}})
		for range entries {
			apply(fillcalc.Input{Do: fillcalc.DoEnter, By: by, Entry: &fillcalc.Entry{What: fillcalc.EnterSpilled, L: 0.123456, UL: 0.123456}})
		}
		s.Job.Drained = fillcalc.Account{ShownKg: 12, Begun: true}
		s.Job.Added = fillcalc.Account{ShownKg: 10, Begun: true}
		for i := range steps {
			step := fillcalc.Step{ID: i + 1, Sensor: name, AtNs: int64(i), Kg: 0.123456, Cause: fillcalc.TooFast, Tally: fillcalc.DrainedTally}
			if i%2 == 0 {
				step.As, step.By = fillcalc.AsObject, by
			}
			s.Job.Steps = append(s.Job.Steps, step)
		}
		return &s
	}
	if m := jobMessage(state(50, 4, "me")); len(m.Entered) != 50 || m.EnteredLeftOut != 0 || m.Plan == nil || len(m.Uncertainty.Drained) < 7 {
		t.Errorf("50 entries: %d and %d left out, plan %+v, %d terms", len(m.Entered), m.EnteredLeftOut, m.Plan, len(m.Uncertainty.Drained))
	}
	s := state(200, 2000, long)
	m := jobMessage(s)
	if size := len(encode(m)); size > 62<<10 {
		t.Errorf("%d bytes", size)
	}
	if n := len(m.Entered); n < 5 || n+m.EnteredLeftOut != 200 {
		t.Errorf("%d entries and %d left out", n, m.EnteredLeftOut)
	}
	u2, pct := 0.0, 0.0
	for _, term := range m.Uncertainty.Drained {
		u2 += float64(term.UL * term.UL)
		pct += float64(term.Pct)
	}
	if n := len(m.Uncertainty.Drained); n > 10 || math.Abs(pct-100) > 1e-9 || math.Abs(2*math.Sqrt(u2)-2*math.Sqrt(s.Budget(fillcalc.DrainedTally).U2())) > 1e-9 {
		t.Errorf("%d terms of %v %% make ± %v L", n, pct, 2*math.Sqrt(u2))
	}
	if m := jobMessage(state(200, 0, "me")); len(m.Entered) != 50 || m.EnteredLeftOut != 150 {
		t.Errorf("200 entries: %d and %d left out", len(m.Entered), m.EnteredLeftOut)
	}
}
