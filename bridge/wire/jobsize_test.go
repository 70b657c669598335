package wire

import (
	"math"
	"strings"
	"testing"

	"bayfill/fillcalc"
)

// TestJobWithVeryManySteps checks that the newest steps are published, with the number
// of those left out: a larger message would end the connection to the broker.
func TestJobWithVeryManySteps(t *testing.T) {
	var s fillcalc.State
	s.Job.Phase = fillcalc.Draining
	by := strings.Repeat("<", MaxText) // six bytes each in JSON
	for i := range 2000 {
		step := fillcalc.Step{ID: i + 1, AtNs: int64(i), Sensor: "caddy", Kg: 0.123456, Cause: fillcalc.TooFast}
		if i%2 == 0 {
			step.As, step.By = fillcalc.AsObject, by
		}
		s.Job.Steps = append(s.Job.Steps, step)
	}
	for _, c := range []struct {
		name                string
		decided, decidedOut int
	}{{"long names", 1, 0}, {"short names", 100, 900}} {
		m := JobOf(&s)
		if size := len(Encode(m)); size > 45<<10 {
			t.Errorf("%s: %d bytes", c.name, size)
		}
		if len(m.Undecided) != 100 || m.UndecidedLeftOut != 900 || m.Undecided[99].Step != 2000 || m.Undecided[0].Step != 1802 {
			t.Errorf("%s: %d undecided steps and %d left out, the last is %+v", c.name, len(m.Undecided), m.UndecidedLeftOut, m.Undecided[99])
		}
		n := len(m.Decided)
		if n < c.decided || n+m.DecidedLeftOut != 1000 || c.decidedOut > 0 && m.DecidedLeftOut != c.decidedOut || m.Decided[n-1].Step != 1999 {
			t.Errorf("%s: %d decided steps and %d left out", c.name, n, m.DecidedLeftOut)
		}
		for i := range s.Job.Steps {
			s.Job.Steps[i].By = strings.TrimPrefix(s.Job.Steps[i].By, by[:len(by)-4])
		}
	}
	s.Job.Steps = s.Job.Steps[:7]
	if m := JobOf(&s); len(m.Decided) != 4 || len(m.Undecided) != 3 || m.DecidedLeftOut+m.UndecidedLeftOut != 0 || m.Decided[0].Step != 1 {
		t.Errorf("a few steps: %+v", m)
	}
}

// TestWindowIsTheSame checks that a countdown that goes on counts as the same message,
// and one that jumps, appears or ends does not.
func TestWindowIsTheSame(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		earlierS, agoS, s float64
		same              bool
	}{
		{200, 4, 196, true}, {200, 4, 200, true}, {200, 4, 201.2, false}, {200, 4, 190.8, false}, // 5 s
		{40, 4, 37.5, true}, {40, 4, 38, false}, {40, 4, 34, false}, // 5 %
		{2, 1, 1.9, true}, {2, 4, 0.5, true}, {2, 4, 1.5, false}, {0, 4, 0, true}, // a second
		{nan, 4, nan, true}, {nan, 4, 100, false}, {100, 4, nan, false},
	} {
		for what, in := range map[string]func(s float64) Window{
			"opens":  func(s float64) Window { return Window{OpensInS: Number(s), ClosesInS: Number(nan)} },
			"closes": func(s float64) Window { return Window{ClosesInS: Number(s)} },
		} {
			now, earlier := in(c.s), in(c.earlierS)
			if got := now.SameWindow(&earlier, c.agoS); got != c.same {
				t.Errorf("%s in %g s, %g s ago in %g s: the same: %t", what, c.s, c.agoS, c.earlierS, got)
			}
		}
	}
}

// TestJobLeafIsBounded checks that the message fits into what brokers accept and says
// what it leaves out, however much a job holds and however long the names are.
func TestJobLeafIsBounded(t *testing.T) {
	long := strings.Repeat("<", MaxText) // six bytes each in JSON
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
	if m := JobOf(state(50, 4, "me")); len(m.Entered) != 50 || m.EnteredLeftOut != 0 || m.Plan == nil || len(m.Uncertainty.Drained) < 7 {
		t.Errorf("50 entries: %d and %d left out, plan %+v, %d terms", len(m.Entered), m.EnteredLeftOut, m.Plan, len(m.Uncertainty.Drained))
	}
	s := state(200, 2000, long)
	m := JobOf(s)
	if size := len(Encode(m)); size > 62<<10 {
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
	if m := JobOf(state(200, 0, "me")); len(m.Entered) != 50 || m.EnteredLeftOut != 150 {
		t.Errorf("200 entries: %d and %d left out", len(m.Entered), m.EnteredLeftOut)
	}
}
