package fillcalc

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// randomJob draws the events of a job with pours, steps, objects that come and
// go, holes, restarts and changes of phase.
func randomJob(rt *rapid.T, setup *Setup, hz float64) *rig {
	r := newRig(rt, setup, hz, 0.001)
	r.rng = rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
	r.scene(5, nil, nil, nil)
	r.do(Input{Do: DoOpen, Job: aJob()})
	r.do(Input{Do: DoPhase, Phase: Draining})
	lying := []float64{}
	for range rapid.IntRange(1, 7).Draw(rt, "doings") {
		switch rapid.IntRange(0, 5).Draw(rt, "kind") {
		case 0:
			r.scene(rapid.Float64Range(3, 20).Draw(rt, "for"), steady(rapid.Float64Range(0, 0.1).Draw(rt, "drain")), nil, nil)
		case 1:
			r.scene(rapid.Float64Range(3, 20).Draw(rt, "for"), nil, steady(rapid.Float64Range(0, 0.1).Draw(rt, "pour")), nil)
		case 2:
			kg := rapid.Float64Range(0.1, 2).Draw(rt, "object")
			lying = append(lying, kg)
			r.caddyKg += kg
			r.scene(6, nil, nil, nil)
		case 3:
			if len(lying) > 0 {
				i := rapid.IntRange(0, len(lying)-1).Draw(rt, "which")
				r.caddyKg -= lying[i]
				lying = slices.Delete(lying, i, i+1)
				r.scene(6, nil, nil, nil)
			}
		case 4:
			r.atNs += int64(rapid.Float64Range(3.5, 30).Draw(rt, "hole") * 1e9)
			r.caddyKg += rapid.Float64Range(0, 0.5).Draw(rt, "meanwhile")
			r.scene(4, nil, nil, nil)
		case 5:
			r.do(Input{Do: DoPhase, Phase: rapid.SampledFrom([]Phase{Draining, Service, Filling, Running}).Draw(rt, "phase"), Why: "drawn"})
			r.scene(2, nil, nil, nil)
		}
	}
	r.scene(6, nil, nil, nil)
	return r
}

// A replay from any snapshot, stored as JSON, ends in the same state to the last bit
// as a replay from the start.
func TestReplayFromAnySnapshot(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		setup := twoScales()
		if rapid.Bool().Draw(rt, "one scale") {
			setup = oneScale()
		}
		r := randomJob(rt, setup, 10)
		cut := rapid.IntRange(0, len(r.events)).Draw(rt, "cut")
		var whole, part State
		for i, e := range r.events {
			if i == cut {
				text, err := json.Marshal(whole)
				if err != nil {
					rt.Fatal(err)
				}
				part = State{}
				if err := json.Unmarshal(text, &part); err != nil {
					rt.Fatal(err)
				}
			}
			whole = Apply(whole, e)
			if i >= cut {
				part = Apply(part, e)
			}
		}
		if cut == len(r.events) {
			part = whole
		}
		if !reflect.DeepEqual(whole, part) || !reflect.DeepEqual(whole, r.s) {
			rt.Fatalf("cut at %d of %d: states differ", cut, len(r.events))
		}
	})
}

// Decisions as fluid and swap may come in any order.
func TestDecisionsCommute(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := randomJob(rt, twoScales(), 10)
		var open []int
		for _, step := range r.s.Job.Steps {
			if step.As == "" {
				open = append(open, step.ID)
			}
		}
		as := map[int]Decision{}
		for _, id := range open {
			as[id] = rapid.SampledFrom([]Decision{AsFluid, AsSwap}).Draw(rt, "as")
		}
		decide := func(order []int) Volumes {
			fork := *r.bench
			for _, id := range order {
				fork.do(Input{Do: DoDecide, Step: id, As: as[id]})
			}
			return fork.s.Volumes()
		}
		a := decide(open)
		slices.Reverse(open)
		b := decide(open)
		// Only the order of additions differs.
		if math.Abs(a.DrainedL-b.DrainedL) > 1e-12 || math.Abs(a.AddedL-b.AddedL) > 1e-12 || math.Abs(a.DrainedUL-b.DrainedUL) > 1e-12 {
			rt.Fatalf("%+v, in the other order %+v", a, b)
		}
	})
}

// The same story gives the same steps, and the same tally within the scale's
// resolution, at ten readings a second and at eighty.
func TestTallyDoesNotDependOnTheRate(t *testing.T) {
	tell := func(hz float64) State {
		r := newRig(t, twoScales(), hz, 0.001)
		r.scene(5, nil, nil, nil)
		r.do(Input{Do: DoOpen, Job: aJob()})
		r.do(Input{Do: DoPhase, Phase: Draining})
		r.scene(40, decayed(0.12, 10), nil, nil)
		r.scene(20, steady(0.004), nil, ramp(5, 5.2, 0.6))
		r.scene(20, steady(0.004), nil, plus(steady(0.6), ramp(5, 5.2, -0.6)))
		r.scene(5, nil, nil, nil)
		r.do(Input{Do: DoPhase, Phase: Filling})
		r.scene(30, nil, during(2, 22, 0.05), nil)
		return r.s
	}
	few, many := tell(10), tell(80)
	a, b := few.Volumes(), many.Volumes()
	near(t, "drained", a.DrainedL, b.DrainedL, 0.006)
	near(t, "added", a.AddedL, b.AddedL, 0.006)
	if len(few.Job.Steps) != 2 || len(many.Job.Steps) != 2 {
		t.Errorf("%d and %d steps, want 2", len(few.Job.Steps), len(many.Job.Steps))
	}
}
