package fillcalc

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// fork is the same cart, to try what comes of another continuation.
func (r *rig) fork() *rig {
	f, b := *r, *r.bench
	f.bench = &b
	f.events = slices.Clip(f.events)
	return &f
}

// Any answer can be changed until the job is closed, and the account is the same as if the
// last one had been the first.
func TestAnswerCanBeChanged(t *testing.T) {
	for name, c := range map[string]struct {
		phase  Phase
		caddy  []float64
		supply []float64
		ask    int
		group  bool // of more than one change
	}{
		"a thing that came":      {Draining, []float64{0.4}, nil, 1, false},
		"a thing that went":      {Draining, []float64{-0.15}, nil, 1, false},
		"a pair, the first":      {Draining, []float64{0.4, -0.4}, nil, 1, true},
		"a pair, the second":     {Draining, []float64{0.4, -0.4}, nil, 2, true},
		"a pan":                  {Draining, []float64{1.5, -1.2}, nil, 2, true},
		"two things":             {Draining, []float64{0.4, 0.6}, nil, 2, true},
		"two that went together": {Draining, []float64{0.4, 0.6, -1}, nil, 3, true},
		"a swap":                 {Filling, nil, []float64{-6, 9}, 2, true},
		"a less full supply":     {Filling, nil, []float64{-6, 5.2}, 2, true},
		"what left the supply":   {Filling, nil, []float64{-0.3}, 1, false},
		"a caddy emptied":        {Draining, []float64{-3, 2.2}, nil, 2, false},
	} {
		t.Run(name, func(t *testing.T) {
			if c.group {
			}
			r := started(t, twoScales(), aJob(), c.phase)
			r.scene(25, during(2, 22, 0.05), during(2, 22, 0.04), nil)
			for _, kg := range c.caddy {
				r.onCaddy(kg)
			}
			for _, kg := range c.supply {
				r.onSupply(kg)
			}
			r.clear()
			if len(r.s.Job.Changes) != max(len(c.caddy), len(c.supply)) {
				t.Fatalf("%+v", r.s.Job.Changes)
			}
			all := []Label{AsFluid, AsGone, AsThing, AsContainer}
			for _, last := range all {
				if Check(&r.s, &Input{Do: DoAnswer, Change: c.ask, As: last}) != nil {
					continue
				}
				direct := r.fork()
				direct.answer(c.ask, last)
				want := direct.s.Volumes()
				for _, first := range all {
					if Check(&r.s, &Input{Do: DoAnswer, Change: c.ask, As: first}) != nil {
						continue
					}
					changed := r.fork()
					changed.answer(c.ask, first)
					changed.answer(c.ask, last)
					if got := changed.s.Volumes(); !(math.Abs(got.DrainedL-want.DrainedL) < 1e-9) || !(math.Abs(got.AddedL-want.AddedL) < 1e-9 || math.IsNaN(want.AddedL)) {
						t.Errorf("%s changed to %s: drained %.4f L, added %.4f L; %s at once: %.4f and %.4f L; labels %q and %q",
							first, last, got.DrainedL, got.AddedL, last, want.DrainedL, want.AddedL, changed.labels(), direct.labels())
					}
				}
			}
		})
	}
}

// What weighs the same by chance is taken for one thing. A person who says that another one
// has gone takes the end from that pair.
func TestGoneTakesItsEndFromAChancePair(t *testing.T) {
	for name, order := range map[string][]bool{"fluid last": {true, false}, "fluid first": {false, true}} {
		r := started(t, twoScales(), aJob(), Draining)
		for _, tool := range order {
			if tool {
				r.onCaddy(0.5)
			} else {
				r.scene(8, during(0, 0.8, 0.5/0.8), nil, nil)
			}
			r.rest(20)
		}
		r.onCaddy(-0.5)
		r.rest(20)
		r.clear()
		for n := 0; len(r.asked()) > 0 && n < 5; n++ {
			id := r.asked()[0]
			if order[id-1] {
				r.answer(id, AsGone)
			} else {
				r.answer(id, AsFluid)
			}
		}
		if asked := r.asked(); len(asked) > 0 {
			t.Errorf("%s: still asked about %d: %+v", name, asked, r.s.Job.Changes)
		}
		near(t, name+": drained", r.shown(DrainedTally), 0.5, 0.006)
	}
}

// A word that the signal contradicts is in U: any share of the change may be fluid (GUM 4.3.7,
// a rectangle). In the accounts that follow it is, too: what is said to be gone may go then.
func TestDoubtfulAnswers(t *testing.T) {
	for name, c := range map[string]struct {
		as       Label
		doubtful bool
	}{
		"fluid that was tipped":             {AsFluid, false},
		"a thing that lies there":           {AsThing, false},
		"gone, and nothing went":            {AsGone, true},
		"a container, and none went before": {AsContainer, true},
	} {
		r := started(t, oneScale(), aJob(), Draining)
		r.rest(10)
		r.scene(8, during(0, 0.8, 0.5/0.8), nil, nil)
		r.clear()
		r.answer(1, c.as)
		r.phase(Filling)
		r.rest(20)
		v := r.s.Volumes()
		least := 2 * 0.5 / math.Sqrt(3) / 0.9
		if got := v.DrainedUL > least; got != c.doubtful {
			t.Errorf("%s: U of %.4f L drained", name, v.DrainedUL)
		}
		if got := v.AddedUL > least; got != c.doubtful {
			t.Errorf("%s: U of %.4f L added", name, v.AddedUL)
		}
	}
}

// A clear weighing asks only about what came before it, and about nothing lighter than 50 g.
func TestQuestions(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.onCaddy(0.3)
	r.rest(20)
	r.onCaddy(0.035)
	r.clear()
	r.rest(20)
	r.onCaddy(0.4)
	if asked := r.asked(); !slices.Equal(asked, []int{1}) {
		t.Errorf("asked about %d: %+v", asked, r.s.Job.Changes)
	}
	r.refused(Input{Do: DoClose}, "change: refuse.say_first")
	r.answer(1, AsThing)
	r.refused(Input{Do: DoClose}, "change: refuse.say_first")
	r.phase(Service)
	if asked := r.asked(); !slices.Equal(asked, []int{3}) {
		t.Errorf("after the phase service asked about %d", asked)
	}
	r.answer(3, AsThing)
	if c := r.s.Job.Changes[2]; c.Said != AsThing || c.By != "somebody" {
		t.Errorf("%+v", c)
	}
	r.settled(Input{Do: DoClose})
	r.refused(Input{Do: DoAnswer, Change: 3, As: AsFluid}, "do: refuse.no_job")
}

func TestRefusedAnswers(t *testing.T) {
	r := started(t, twoScales(), aJob(), Filling)
	r.onCaddy(0.4)
	r.onCaddy(-0.15)
	r.onSupply(0.3)
	r.onSupply(-0.2)
	for _, c := range []struct {
		change int
		as     Label
		want   string
	}{
		{0, AsFluid, "change: refuse.no_such_change"},
		{5, AsFluid, "change: refuse.no_such_change"},
		{-1, AsFluid, "change: refuse.no_such_change"},
		{1, "", "as: refuse.choice"},
		{1, "object", "as: refuse.choice"},
		{2, AsFluid, "as: refuse.no_fluid"},
		{3, AsFluid, "as: refuse.no_fluid"},
		{3, AsBottle, "as: refuse.no_bottle"},
	} {
		r.refused(Input{Do: DoAnswer, Change: c.change, As: c.as}, c.want)
	}
	for change, as := range map[int]Label{1: AsFluid, 2: AsThing, 3: AsThing, 4: AsFluid} {
		if err := Check(&r.s, &Input{Do: DoAnswer, Change: change, As: as}); err != nil {
			t.Error(err)
		}
	}
}

// deed is something that was done on a scale and made a change.
type deed struct {
	as    Label   // what it was; empty: a tool
	tool  float64 // kg
	taken bool
}

// story is a job in which tools come and go while fluid runs, with its truth.
type story struct {
	*rig
	put                func(kg float64) // on the scale that the story is about
	deeds              []deed
	lie                []float64 // tools that lie there, kg
	drainedKg, addedKg float64
}

// No two of these weigh the same, nor any sums of them and of what is tipped in: chance has
// tests of its own.
var toolKg = []float64{0.11, 0.23, 0.47, 0.95}

const tippedKg = 0.39

// tell begins a story about the caddy, the supply, or both on one scale.
func tell(rt *rapid.T) *story {
	y := &story{}
	switch rapid.SampledFrom([]Load{CaddyLoad, SupplyLoad, BothLoad}).Draw(rt, "about") {
	case CaddyLoad:
		y.rig = started(rt, twoScales(), aJob(), Draining)
		y.put = y.onCaddy
	case SupplyLoad:
		y.rig = started(rt, twoScales(), aJob(), Filling)
		y.put = y.onSupply
	default:
		y.rig = started(rt, oneScale(), aJob(), Draining)
		y.put = y.onCaddy
	}
	y.hz, y.rng = 5, rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
	return y
}

// happen does what was drawn, and waits for longer than two portions out of one pan are
// apart.
func (y *story) happen(rt *rapid.T) {
	drains := y.s.Job.Phase == Draining
	switch free := slices.DeleteFunc(slices.Clone(toolKg), func(kg float64) bool { return slices.Contains(y.lie, kg) }); rapid.IntRange(0, 4).Draw(rt, "kind") {
	case 0:
		seconds, kgS := float64(rapid.IntRange(5, 15).Draw(rt, "seconds")), rapid.Float64Range(0.02, 0.1).Draw(rt, "kgS")
		if drains {
			y.scene(seconds, steady(kgS), nil, nil)
			y.drainedKg += seconds * kgS
		} else {
			y.scene(seconds, nil, steady(kgS), nil)
			y.addedKg += seconds * kgS
		}
		y.rest(5)
	case 1:
		if len(free) > 0 {
			kg := rapid.SampledFrom(free).Draw(rt, "tool")
			y.lie, y.deeds = append(y.lie, kg), append(y.deeds, deed{tool: kg})
			y.put(kg)
		}
	case 2:
		if len(y.lie) > 0 {
			i := rapid.IntRange(0, len(y.lie)-1).Draw(rt, "taken")
			y.deeds = append(y.deeds, deed{tool: y.lie[i], taken: true})
			y.put(-y.lie[i])
			y.lie = slices.Delete(slices.Clone(y.lie), i, i+1)
		}
	case 3:
		if drains { // the pan is tipped in
			y.deeds = append(y.deeds, deed{as: AsFluid})
			y.scene(8, during(0, 0.8, tippedKg/0.8), nil, nil)
			y.drainedKg += tippedKg
			break
		}
		as, moreKg := AsGone, 0.0 // the supply is lifted and put back
		if rapid.Bool().Draw(rt, "swapped") {
			as, moreKg = AsContainer, 2.7
		}
		y.deeds = append(y.deeds, deed{as: as}, deed{as: as})
		y.put(-4.1)
		y.put(4.1 + moreKg)
	case 4:
		if drains && y.s.ScaleN == 1 {
			y.rest(5)
			y.phase(Filling)
		}
	}
	y.rest(20)
}

// truth is what a person who sees the cart says of a change.
func (y *story) truth(change int) Label {
	d := y.deeds[change-1]
	gone := deed{tool: d.tool, taken: true}
	switch {
	case d.as != "":
		return d.as
	case !d.taken && slices.Contains(y.lie, d.tool) && !slices.Contains(y.deeds[change:], gone):
		return AsThing
	}
	return AsGone
}

// askedAll answers what is asked, until nothing is.
func (y *story) askedAll(rt *rapid.T) {
	for range 2*len(y.deeds) + 1 {
		asked := y.asked()
		if len(asked) == 0 {
			return
		}
		id := rapid.SampledFrom(asked).Draw(rt, "answered")
		y.answer(id, y.truth(id))
	}
	rt.Fatalf("asked without end: %+v", y.s.Job.Changes)
}

// Whenever a person answers, before anything is asked or long after: in the end the account
// is the fluid that ran.
func TestAccountDoesNotDependOnWhenAnAnswerComes(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		y := tell(rt)
		for range rapid.IntRange(2, 7).Draw(rt, "deeds") {
			y.happen(rt)
			switch rapid.IntRange(0, 4).Draw(rt, "then") {
			case 0:
				y.clear()
			case 1:
				for id := range y.s.Job.Changes {
					if y.s.Job.Changes[id].As == "" && rapid.Bool().Draw(rt, "said") {
						y.answer(id+1, y.truth(id+1))
					}
				}
			}
			if len(y.s.Job.Changes) != len(y.deeds) {
				rt.Fatalf("%d changes of %d deeds: %+v", len(y.s.Job.Changes), len(y.deeds), y.s.Job.Changes)
			}
			y.askedAll(rt)
		}
		y.clear()
		y.askedAll(rt)
		v := y.s.Volumes()
		for into, c := range map[Tally]struct{ trueKg, uL float64 }{DrainedTally: {y.drainedKg, v.DrainedUL}, AddedTally: {y.addedKg, v.AddedUL}} {
			uKg := c.uL * 0.85 // nearly kg per litre
			if off := y.shown(into) - c.trueKg; math.Abs(off) > max(0.015, 1.5*uKg) || uKg > 0.3 {
				rt.Fatalf("%s is %.4f kg off, U is %.4f kg: %+v, deeds %+v", into, off, uKg, y.s.Job.Changes, y.deeds)
			}
		}
		y.settled(Input{Do: DoClose})
	})
}

// A wrong answer about a change that stands alone leaves no trace once it is put right.
func TestWrongAnswerLeavesNoTrace(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		y := tell(rt)
		for range rapid.IntRange(2, 7).Draw(rt, "deeds") {
			y.happen(rt)
		}
		y.clear()
		alone := []int{}
		for _, c := range y.s.Job.Changes {
			if c.Last == 0 {
				alone = append(alone, c.ID)
			}
		}
		if len(alone) == 0 {
			return
		}
		id := rapid.SampledFrom(alone).Draw(rt, "change")
		right, wrong := y.fork(), y.fork()
		as := rapid.SampledFrom([]Label{AsFluid, AsGone, AsThing, AsContainer}).Draw(rt, "wrong")
		if Check(&wrong.s, &Input{Do: DoAnswer, Change: id, As: as}) != nil {
			return
		}
		wrong.answer(id, as)
		if c := wrong.s.Job.Changes[id-1]; c.Last != 0 {
			return // that made a group of it
		}
		wrong.answer(id, y.truth(id))
		right.answer(id, y.truth(id))
		right.s.Job.Changes[id-1].SaidNs = wrong.s.Job.Changes[id-1].SaidNs
		if !reflect.DeepEqual(wrong.s.Job, right.s.Job) {
			rt.Fatalf("change %d: %s first, then %s:\n%+v\nat once:\n%+v", id, as, y.truth(id), wrong.s.Job.Changes, right.s.Job.Changes)
		}
	})
}

// Several answers may come in any order.
func TestAnswersCommute(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		y := tell(rt)
		for range rapid.IntRange(2, 7).Draw(rt, "deeds") {
			y.happen(rt)
		}
		y.clear()
		asked := y.asked()
		say := func(order []int) Volumes {
			f := y.fork()
			for _, id := range order {
				f.answer(id, y.truth(id))
			}
			return f.s.Volumes()
		}
		a := say(asked)
		slices.Reverse(asked)
		b := say(asked)
		if math.Abs(a.DrainedL-b.DrainedL) > 1e-9 || math.Abs(a.DrainedUL-b.DrainedUL) > 1e-9 {
			rt.Fatalf("%+v, in the other order %+v: %+v", a, b, y.s.Job.Changes)
		}
	})
}
