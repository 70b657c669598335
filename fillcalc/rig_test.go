package fillcalc

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
)

// rig is a cart whose signal is made reading by reading, as an indicator makes
// it: a moving average over half a second, rounded to the display's step. All
// of it is invented; the figures of the indicator are common practice, no
// source.
type rig struct {
	*bench
	hz    float64
	noise float64 // kg, standard deviation
	// What stands on the scales. One scale for both carries the sum.
	caddyKg, supplyKg float64
	rng               *rand.Rand
	recent            [2][]float64
}

func newRig(t tester, setup *Setup, hz, noiseKg float64) *rig {
	return &rig{bench: newBench(t, setup), hz: hz, noise: noiseKg, caddyKg: 3.2, supplyKg: 9.1,
		rng: rand.New(rand.NewPCG(11, uint64(hz*1000)))}
}

// started is a rig with an open job in a phase.
func started(t tester, setup *Setup, spec *JobSpec, phase Phase) *rig {
	r := newRig(t, setup, 10, 0.001)
	r.scene(4, nil, nil, nil)
	r.do(Input{Do: DoOpen, Job: spec})
	r.scene(4, nil, nil, nil)
	if phase != Ready {
		r.do(Input{Do: DoPhase, Phase: phase, Why: "only a test"})
	}
	r.scene(2, nil, nil, nil)
	return r
}

// scene lets time pass while the given rates and forces act on the caddy and
// flow leaves the supply.
func (r *rig) scene(seconds float64, caddyKgS, supplyKgS func(t float64) float64, force func(t float64) float64) {
	if caddyKgS == nil {
		caddyKgS = steady(0)
	}
	if supplyKgS == nil {
		supplyKgS = steady(0)
	}
	if force == nil {
		force = steady(0)
	}
	window := max(1, int(r.hz/2))
	for i := range int(seconds * r.hz) {
		t := (float64(i) + 0.5) / r.hz
		r.atNs += int64(1e9 / r.hz)
		r.caddyKg += caddyKgS(t) / r.hz
		r.supplyKg -= supplyKgS(t) / r.hz
		on := [2]float64{r.caddyKg + force(t), r.supplyKg}
		names := []string{"caddy", "supply"}
		if r.s.ScaleN == 1 {
			on[0], names = on[0]+on[1], names[:1]
		}
		for k, name := range names {
			r.recent[k] = append(r.recent[k], on[k]+r.noise*r.rng.NormFloat64())
			r.recent[k] = r.recent[k][max(0, len(r.recent[k])-window):]
			sum := 0.0
			for _, kg := range r.recent[k] {
				sum += kg
			}
			shown := math.Round(sum/float64(len(r.recent[k]))/0.005) * 0.005
			r.apply(Event{Kind: KindWeight, Sensor: name, Value: shown})
		}
	}
}

// rest lets time pass in which nothing happens.
func (r *rig) rest(seconds float64) { r.scene(seconds, nil, nil, nil) }

// onCaddy puts a weight on the caddy's scale, or takes it off, and lets the scale rest.
func (r *rig) onCaddy(kg float64) {
	r.caddyKg += kg
	r.rest(8)
}

// onSupply does the same on the supply's scale.
func (r *rig) onSupply(kg float64) {
	r.supplyKg += kg
	r.rest(8)
}

// settled does an input as soon as the scales stand still.
func (r *rig) settled(in Input) {
	r.t.Helper()
	for range 10 {
		if Check(&r.s, &in) == nil {
			break
		}
		r.rest(1)
	}
	r.do(in)
}

func (r *rig) phase(to Phase) {
	r.t.Helper()
	r.settled(Input{Do: DoPhase, Phase: to, Why: "only a test"})
	r.rest(6)
}

// clear says that only the containers stand on the scales.
func (r *rig) clear() {
	r.t.Helper()
	r.settled(Input{Do: DoClear, By: "somebody"})
	r.rest(3)
}

func (r *rig) answer(change int, as Label) {
	r.t.Helper()
	r.do(Input{Do: DoAnswer, Change: change, As: as, By: "somebody"})
}

// A refusal begins with the name of the field that is wrong.
var namesAField = regexp.MustCompile(`^[a-z][a-z0-9_.\[\]]*: `)

func (r *rig) refused(in Input, want string) {
	r.t.Helper()
	if err := Check(&r.s, &in); err == nil || !strings.Contains(err.Error(), want) || !namesAField.MatchString(err.Error()) {
		r.t.Errorf("%s: %v, want %q behind the name of a field", in.Do, err, want)
	}
}

// shown returns an account in kilograms as the scale shows them.
func (r *rig) shown(t Tally) float64 { return r.s.shownKg(t) }

// labels lists what the changes are taken for, in their order.
func (r *rig) labels() []Label {
	list := []Label{}
	for _, c := range r.s.Job.Changes {
		list = append(list, c.As)
	}
	return list
}

// asked lists the numbers of the changes that a person is asked about.
func (r *rig) asked() []int {
	list := []int{}
	for _, c := range r.s.Questions() {
		list = append(list, c.ID)
	}
	return list
}

// says lists the keys of what is asked for now.
func (r *rig) says() []string {
	keys := []string{}
	for _, a := range r.s.Next() {
		keys = append(keys, a.Key)
	}
	return keys
}

func steady(v float64) func(float64) float64 { return func(float64) float64 { return v } }

// during is v from one time to another and nothing before and after.
func during(from, to, v float64) func(float64) float64 {
	return func(t float64) float64 {
		if from <= t && t < to {
			return v
		}
		return 0
	}
}

func plus(fs ...func(float64) float64) func(float64) float64 {
	return func(t float64) float64 {
		sum := 0.0
		for _, f := range fs {
			sum += f(t)
		}
		return sum
	}
}

// decayed is a gush that runs dry.
func decayed(peakKgS, tauS float64) func(float64) float64 {
	return func(t float64) float64 { return peakKgS * math.Exp(-t/tauS) }
}

// rising rises from nothing to v between two times and stays.
func rising(from, to, v float64) func(float64) float64 {
	return func(t float64) float64 { return v * min(1, max(0, (t-from)/(to-from))) }
}
