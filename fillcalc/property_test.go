package fillcalc

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// randomJob draws the events of a job in which anything may happen at any time: pours, things
// that come and go, pushes, damaged frames, holes, restarts, phases in any order, answers,
// clear weighings and baselines, whether they are accepted or not.
func randomJob(rt *rapid.T, setup *Setup, hz float64) *rig {
	spec := aJob()
	if rapid.Bool().Draw(rt, "bottles") {
		spec.BottleL = 1
	}
	if rapid.Bool().Draw(rt, "overflow") {
		spec.Check = ByOverflow
	}
	r := newRig(rt, setup, hz, rapid.SampledFrom([]float64{0, 0.001, 0.01}).Draw(rt, "noise"))
	r.rng = rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
	r.rest(rapid.Float64Range(0, 5).Draw(rt, "before"))
	r.do(Input{Do: DoOpen, Job: spec})
	r.rest(rapid.Float64Range(0.5, 8).Draw(rt, "open"))
	try := func(in Input) { // the fold ignores what Check refuses
		r.atNs += 1e6
		var refusal *Refusal
		if err := Check(&r.s, &in); err != nil && !errors.As(err, &refusal) {
			rt.Fatalf("%+v: %q is not a text of the catalogues", in, err)
		}
		r.apply(Event{Kind: KindInput, Input: &in})
	}
	for range rapid.IntRange(1, 12).Draw(rt, "doings") {
		seconds := rapid.Float64Range(0.2, 15).Draw(rt, "for")
		switch rapid.IntRange(0, 9).Draw(rt, "kind") {
		case 0:
			r.scene(seconds, steady(rapid.Float64Range(-0.05, 0.3).Draw(rt, "drain")), steady(rapid.Float64Range(-0.05, 0.3).Draw(rt, "pour")), nil)
		case 1:
			r.caddyKg += rapid.Float64Range(-3, 3).Draw(rt, "on the caddy")
			r.rest(seconds)
		case 2:
			r.supplyKg += rapid.Float64Range(-9, 9).Draw(rt, "on the supply")
			r.rest(seconds)
		case 3:
			r.scene(seconds, nil, nil, rising(0, seconds, rapid.Float64Range(-2, 5).Draw(rt, "push")))
		case 4:
			r.atNs += int64(seconds * 1e9)
			r.caddyKg += rapid.Float64Range(-0.5, 1).Draw(rt, "meanwhile")
			if rapid.Bool().Draw(rt, "restart") {
				try(Input{Do: DoStart, Setup: setup})
			}
		case 5:
			for range rapid.IntRange(1, 40).Draw(rt, "frames") {
				r.atNs += 100e6
				r.apply(Event{Kind: KindWeight, Sensor: rapid.SampledFrom([]string{"caddy", "supply", "nobody"}).Draw(rt, "sensor"),
					Faults: Faults(rapid.IntRange(0, 127).Draw(rt, "faults")), Value: rapid.Float64Range(-60, 60).Draw(rt, "value")})
			}
		case 6:
			try(Input{Do: DoPhase, Phase: rapid.SampledFrom(phaseOrder[:]).Draw(rt, "phase"), Why: "drawn"})
		case 7:
			try(Input{Do: DoAnswer, Change: rapid.IntRange(0, len(r.s.Job.Changes)+1).Draw(rt, "change"),
				As: rapid.SampledFrom([]Label{AsFluid, AsGone, AsThing, AsContainer, AsBottle}).Draw(rt, "as"), By: "somebody"})
		case 8:
			try(Input{Do: DoClear, Sensor: rapid.SampledFrom([]string{"", "caddy", "supply"}).Draw(rt, "cleared")})
		case 9:
			try(Input{Do: rapid.SampledFrom([]Do{DoBaseline, DoTick, DoClose, DoAbandon, DoGear, DoUndo}).Draw(rt, "do"), Gear: "R"})
		}
	}
	r.rest(3)
	return r
}

func drawnSetup(rt *rapid.T) *Setup {
	if rapid.Bool().Draw(rt, "one scale") {
		return oneScale()
	}
	return twoScales()
}

// A replay from any snapshot, stored as JSON, ends in the same state to the last bit
// as a replay from the start.
func TestReplayFromAnySnapshot(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := randomJob(rt, drawnSetup(rt), 10)
		cut := rapid.IntRange(0, len(r.events)-1).Draw(rt, "cut")
		var whole, part State
		for i, e := range r.events {
			if i == cut {
				text, err := json.Marshal(whole)
				if err != nil {
					rt.Fatal(err)
				}
				if err := json.Unmarshal(text, &part); err != nil {
					rt.Fatal(err)
				}
				if !reflect.DeepEqual(whole, part) {
					rt.Fatalf("event %d: JSON loses something:\n%+v\n%+v", i, whole, part)
				}
			}
			whole = Apply(whole, e)
			if i >= cut {
				part = Apply(part, e)
			}
		}
		if !reflect.DeepEqual(whole, part) || !reflect.DeepEqual(whole, r.s) {
			rt.Fatalf("cut at %d of %d: states differ", cut, len(r.events))
		}
	})
}

// whole reports the first figure that is infinite, or NaN although it is known.
func (s *State) whole(live bool) (name string) {
	v := s.Volumes()
	for name, f := range map[string]float64{
		"drained": v.DrainedL, "U of drained": v.DrainedUL, "added": v.AddedL, "U of added": v.AddedUL,
		"overflow": v.OverflowL, "U of overflow": v.OverflowUL, "balance": v.BalanceL, "U of balance": v.BalanceUL, "undecided": v.UndecidedL,
	} {
		if math.IsInf(f, 0) || live && math.IsNaN(f) {
			return name
		}
	}
	for _, t := range []Tally{DrainedTally, AddedTally, OverflowTally} {
		for _, term := range s.Budget(t) {
			if math.IsNaN(term.L) || math.IsInf(term.L, 0) {
				return term.Name
			}
		}
	}
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		for name, f := range map[string]float64{
			"noise": sc.NoiseKg, "shown": sc.ShownKg, "level": sc.LevelKg, "flow": sc.FlowKgS, "rest": sc.Rest.Kg, "U2 of the rest": sc.Rest.U2, "line": sc.Was.Kg, "slope": sc.Was.KgS,
		} {
			if math.IsNaN(f) || math.IsInf(f, 0) {
				return sc.Setup.Sensor + ": " + name
			}
		}
	}
	for _, c := range s.Job.Changes {
		if !(c.U2 >= 0) || math.IsInf(c.U2, 0) || math.IsNaN(c.Kg) || math.IsInf(c.Kg, 0) {
			return "change " + number(c.ID)
		}
	}
	return ""
}

// Whatever happens, in whatever order, no figure is infinite, and none is unknown while the
// scales are heard.
func TestFiguresStayWhole(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := randomJob(rt, drawnSetup(rt), rapid.SampledFrom([]float64{2, 5, 10, 40}).Draw(rt, "hz"))
		var s State
		for i, e := range r.events {
			s = Apply(s, e)
			if i%7 != 0 && e.Kind != KindInput {
				continue
			}
			if name := s.whole(false); name != "" {
				rt.Fatalf("event %d, %+v: %s", i, e, name)
			}
			s.Questions()
			s.Next()
			s.Alerts()
			s.Remarks()
			s.Runs()
		}
		if name := s.whole(true); name != "" { // it has been heard for three seconds
			rt.Fatalf("in the end: %s is %+v", name, s.Volumes())
		}
	})
}

// What is on record of a job stays in order: the changes are numbered, a group holds its
// members, and a person's word is heeded.
func TestChangesStayInOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := randomJob(rt, drawnSetup(rt), 10)
		for i, c := range r.s.Job.Changes {
			switch {
			case c.ID != i+1:
				rt.Fatalf("change %d has the number %d", i+1, c.ID)
			case c.FromNs > c.AtNs || c.AtNs > r.s.NowNs:
				rt.Fatalf("change %d is from %d to %d, now it is %d", c.ID, c.FromNs, c.AtNs, r.s.NowNs)
			case c.Last > 0 && (c.First < 1 || c.First > c.ID || c.Last < c.ID || c.Last > len(r.s.Job.Changes)):
				rt.Fatalf("change %d in the group of %d to %d", c.ID, c.First, c.Last)
			case c.Last > 0 && (r.s.Job.Changes[c.First-1].Last != c.Last || r.s.Job.Changes[c.Last-1].Last != c.Last):
				rt.Fatalf("change %d in a group without its ends: %+v", c.ID, r.s.Job.Changes)
			case c.Said != "" && c.As == "":
				rt.Fatalf("change %d was said to be %s", c.ID, c.Said)
			}
		}
		for _, c := range r.s.Questions() {
			if math.Abs(c.Kg) < leastKg || c.Said != "" {
				rt.Fatalf("asked about %+v", c)
			}
		}
	})
}

// What comes onto a scale is in the account or in a change: drained and the changes that
// are in no account add up to what the caddy's scale gained.
func TestMassIsConserved(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := started(rt, twoScales(), aJob(), Draining)
		r.rng = rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		start := r.caddyKg
		for range rapid.IntRange(1, 8).Draw(rt, "doings") {
			seconds := rapid.Float64Range(1, 20).Draw(rt, "for")
			switch rapid.IntRange(0, 4).Draw(rt, "kind") {
			case 0:
				r.scene(seconds, steady(rapid.Float64Range(0, 0.1).Draw(rt, "flow")), nil, nil)
			case 1:
				r.caddyKg += rapid.Float64Range(-1, 4).Draw(rt, "step")
				r.rest(seconds)
			case 2:
				r.atNs += int64(seconds * 1e9)
				r.caddyKg += rapid.Float64Range(0, 1).Draw(rt, "meanwhile")
			case 3:
				r.do(Input{Do: DoStart, Setup: twoScales()})
			case 4:
				r.apply(Event{Kind: KindInput, Input: &Input{Do: DoPhase, Phase: rapid.SampledFrom([]Phase{Draining, Service, Filling, Running}).Draw(rt, "phase"), Why: "drawn"}})
			}
		}
		r.rest(12)
		sum := r.shown(DrainedTally)
		for i := range r.s.Job.Changes {
			kg, _ := r.s.Job.apart(i, 0, len(r.s.Job.Changes))
			sum += kg
		}
		if gain := r.caddyKg - start; math.Abs(sum-gain) > 0.02 {
			rt.Fatalf("drained and changes make %.4f kg, the scale gained %.4f kg: %+v", sum, gain, r.s.Job.Changes)
		}
	})
}
