package wire

import (
	"math"
	"strings"
	"testing"

	"bayfill/fillcalc"
)

// TestJobWithVeryManyChanges checks that the newest changes and clear weighings are
// published, with the number of those left out: a larger message would end the connection
// to the broker.
func TestJobWithVeryManyChanges(t *testing.T) {
	var s fillcalc.State
	s.Job.Phase = fillcalc.Draining
	by := strings.Repeat("<", MaxText) // six bytes each in JSON
	for i := range 2000 {
		s.Job.Changes = append(s.Job.Changes, fillcalc.Change{ID: i + 1, AtNs: int64(i), Sensor: "caddy", Kg: 0.123456, U2: 0.0001, Cause: fillcalc.Sudden,
			As: fillcalc.AsThing, Said: fillcalc.AsThing, By: by})
		s.Job.Clears = append(s.Job.Clears, fillcalc.Clear{Sensor: "caddy", AtNs: int64(i), By: by, LiveKg: 1.5})
	}
	for _, c := range []struct {
		name                string
		changes, changesOut int
		clears, clearsOut   int
	}{{"long names", 1, 0, 1, 0}, {"short names", 100, 1900, 20, 1980}} {
		m := JobOf(&s)
		if size := len(Encode(m)); size > 45<<10 {
			t.Errorf("%s: %d bytes", c.name, size)
		}
		n := len(m.Changes)
		if n < c.changes || n+m.ChangesLeftOut != 2000 || c.changesOut > 0 && m.ChangesLeftOut != c.changesOut || m.Changes[n-1].Change != 2000 {
			t.Errorf("%s: %d changes and %d left out", c.name, n, m.ChangesLeftOut)
		}
		n = len(m.Clears)
		if n < c.clears || n+m.ClearsLeftOut != 2000 || c.clearsOut > 0 && m.ClearsLeftOut != c.clearsOut || m.Clears[n-1].At != Timestamp(1999) {
			t.Errorf("%s: %d clear weighings and %d left out", c.name, n, m.ClearsLeftOut)
		}
		for i := range s.Job.Changes {
			s.Job.Changes[i].By, s.Job.Clears[i].By = "<<<<", "<<<<"
		}
	}
	s.Job.Changes, s.Job.Clears = s.Job.Changes[:3], s.Job.Clears[:2]
	s.Job.Changes[1].Said, s.Job.Changes[1].By = "", ""
	s.Job.Changes[2].Said, s.Job.Changes[2].As, s.Job.Changes[2].By = "", "", ""
	s.Job.Clears[1].Settled, s.Job.Clears[1].SettledKg = true, 1.4
	m := JobOf(&s)
	if len(m.Changes) != 3 || m.ChangesLeftOut != 0 || m.Changes[0].By != "<<<<" || m.Changes[1].By != "signal" || m.Changes[2].By != "" || m.Changes[0].UKg != 0.02 {
		t.Errorf("a few changes: %+v, %d left out", m.Changes, m.ChangesLeftOut)
	}
	if len(m.Clears) != 2 || m.ClearsLeftOut != 0 || !math.IsNaN(float64(m.Clears[0].SettledKg)) || m.Clears[1].SettledKg != 1.4 {
		t.Errorf("two clear weighings: %+v, %d left out", m.Clears, m.ClearsLeftOut)
	}
}

// TestTraceIsToTheGram checks the signal around a change as it is published: to the gram,
// and empty when the change was kept without it.
func TestTraceIsToTheGram(t *testing.T) {
	c := fillcalc.Change{TraceS: 0.3125}
	copy(c.Trace[:], []float32{-0.0004, 0.0006, 0.123456, -1.2344})
	for _, e := range []struct {
		change fillcalc.Change
		want   string
	}{
		{c, `[[0,0.001,0.123,-1.234,0,0,0,0,0,0,0,0,0,0,0,0],0.3125]`},
		{fillcalc.Change{}, `[[],null]`},
	} {
		kg, stepS := traceOf(&e.change)
		if got := string(Encode([]any{kg, stepS})); got != e.want {
			t.Errorf("%v, %v s apart: %s, want %s", e.change.Trace, e.change.TraceS, got, e.want)
		}
	}
}

// TestAnswers checks which answers are offered for a change, by the scale's load and the
// direction: each that the fold accepts as an answer, and no other.
func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		load fillcalc.Load
		kg   float64
		want string
	}{
		{fillcalc.CaddyLoad, 0.4, "fluid gone thing container"},
		{fillcalc.CaddyLoad, -0.4, "gone thing container"},
		{fillcalc.SupplyLoad, 0.4, "gone thing container"},
		{fillcalc.SupplyLoad, -0.4, "fluid gone thing container bottle"},
		{fillcalc.BothLoad, 0.4, "fluid gone thing container"},
		{fillcalc.BothLoad, -0.4, "fluid gone thing container bottle"},
	} {
		if got := strings.Join(Answers(c.load, c.kg), " "); got != c.want {
			t.Errorf("%+.1f kg on %s: %s, want %s", c.kg, c.load, got, c.want)
		}
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
	name := strings.Repeat("n", 32)
	state := func(entries, changes int, by string) *fillcalc.State {
		var s fillcalc.State
		apply := func(e fillcalc.Event) {
			e.Seq, e.AtNs = s.Seq+1, s.NowNs+1e6
			s = fillcalc.Apply(s, e)
		}
		do := func(in fillcalc.Input) { apply(fillcalc.Event{Kind: fillcalc.KindInput, Input: &in}) }
		caddyKg, supplyKg := 3.0, 20.0
		run := func(seconds int, drainKgS, pourKgS float64) {
			for range 4 * seconds {
				caddyKg, supplyKg = caddyKg+drainKgS/4, supplyKg-pourKgS/4
				apply(fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: name, Value: caddyKg})
				apply(fillcalc.Event{Kind: fillcalc.KindWeight, Sensor: "supply", Value: supplyKg})
				s.NowNs += 248e6
			}
		}
		do(fillcalc.Input{Do: fillcalc.DoStart, Setup: &fillcalc.Setup{ReferenceC: 20, AirKgM3: 1.2, Scales: []fillcalc.ScaleSetup{
			{Sensor: name, Load: fillcalc.CaddyLoad, ResolutionKg: 0.005, MaxFlowKgS: 0.15, GainU: 0.0005},
			{Sensor: "supply", Load: fillcalc.SupplyLoad, ResolutionKg: 0.005, MaxFlowKgS: 0.15, GainU: 0.0005}}}})
		do(fillcalc.Input{Do: fillcalc.DoOpen, Job: &fillcalc.JobSpec{ID: strings.Repeat("j", 64), Vehicle: long, Batch: long, Usual: &fillcalc.Usual{OutL: 4.123456789, UL: 0.123456789, Jobs: 60}, Used: used, Fresh: fresh, UsedSpreadU: 0.001,
			LowC: 35, HighC: 45, FirstFill: 0.8, TypicalL: 4, TotalL: 9, BottleL: 1}})
		run(5, 0, 0)
		do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: fillcalc.Draining})
		run(60, 0.1, 0)
		run(10, 0, 0)
		do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: fillcalc.Filling})
		run(50, 0, 0.1)
		run(10, 0, 0)
		for range entries {
			do(fillcalc.Input{Do: fillcalc.DoEnter, By: by, Entry: &fillcalc.Entry{What: fillcalc.EnterSpilled, L: 0.123456, UL: 0.123456}, Why: by})
		}
		for i := range changes {
			c := fillcalc.Change{ID: i + 1, Sensor: name, AtNs: int64(i), Kg: 0.123456, U2: 1e-6, Cause: fillcalc.Sudden}
			if i%2 == 0 {
				c.As, c.Said, c.By = fillcalc.AsThing, fillcalc.AsThing, by
			}
			if i%4 < 2 {
				c.Kg = -c.Kg
			}
			for k := range c.Trace {
				c.Trace[k] = -12.345678
			}
			c.TraceS = 3.1234567
			s.Job.Changes = append(s.Job.Changes, c)
			s.Job.Clears = append(s.Job.Clears, fillcalc.Clear{Sensor: name, AtNs: int64(i), By: by})
		}
		s.Job.Ledgers[0].ClearN = changes // everything undecided is asked
		for i := range entries {
			s.Job.Records = append(s.Job.Records, fillcalc.Record{Item: fillcalc.Pan, Result: fillcalc.NotDone, Note: by, Part: by, By: by, AtNs: int64(i)})
			s.Job.Troubles = append(s.Job.Troubles, fillcalc.Trouble{Sensor: name, FromNs: int64(i), ToNs: s.NowNs})
		}
		for i := range entries / 2 {
			s.Job.Phases = append(s.Job.Phases, fillcalc.PhaseAt{Phase: fillcalc.Filling, By: by, Why: by, AtNs: int64(i)})
		}
		s.Job.Phase = fillcalc.Checking
		return &s
	}
	if m := JobOf(state(50, 4, "me")); len(m.Entered) != 50 || m.EnteredLeftOut != 0 || m.Plan == nil || len(m.Uncertainty.Drained) < 7 {
		t.Errorf("50 entries: %d and %d left out, plan %+v, %d terms", len(m.Entered), m.EnteredLeftOut, m.Plan, len(m.Uncertainty.Drained))
	}
	s := state(200, 2000, long)
	m := JobOf(s)
	if size := len(Encode(m)); size > 62<<10 || len(m.Questions) != 3 || len(m.Verdict.Reasons) < 3 {
		t.Errorf("%d bytes, %d questions", size, len(m.Questions))
	}
	if q := m.Questions[0]; len(q.TraceKg) != 16 || q.TraceKg[15] != -12.346 || math.Abs(float64(q.TraceStepS)-3.1234567) > 1e-6 {
		t.Errorf("the signal around the change: %v, %v s apart", q.TraceKg, q.TraceStepS)
	}
	if n := len(m.Entered); n < 3 || n+m.EnteredLeftOut != 200 {
		t.Errorf("%d entries and %d left out", n, m.EnteredLeftOut)
	}
	u2, pct := 0.0, 0.0
	for _, term := range m.Uncertainty.Drained {
		u2 += float64(term.UL * term.UL)
		pct += float64(term.Pct)
	}
	if n := len(m.Uncertainty.Drained); n > 20 || math.Abs(pct-100) > 1e-9 || math.Abs(2*math.Sqrt(u2)-2*math.Sqrt(s.Budget(fillcalc.DrainedTally).U2())) > 1e-9 {
		t.Errorf("%d terms of %v %% make ± %v L", n, pct, 2*math.Sqrt(u2))
	}
	if m := JobOf(state(200, 0, "me")); len(m.Entered) != 50 || m.EnteredLeftOut != 150 {
		t.Errorf("200 entries: %d and %d left out", len(m.Entered), m.EnteredLeftOut)
	}
}
