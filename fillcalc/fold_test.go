package fillcalc

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

// The fluids of these tests are invented.
var (
	usedFluid  = Fluid{Name: "used", Model: Oil1980, DensityKgM3: 858, AtC: 15, DensityU: 0.001}
	freshFluid = Fluid{Name: "fresh", Model: Oil1980, DensityKgM3: 846, AtC: 15, DensityU: 0.001}
)

func twoScales() *Setup {
	return &Setup{
		ReferenceC: 20, AirKgM3: ConventionalAirKgM3, Probe: ProbeSetup{Sensor: "probe"},
		Scales: []ScaleSetup{
			{Sensor: "caddy", Load: CaddyLoad, ResolutionKg: 0.005, RepeatabilityKg: 0.002, GainU: 0.0005, MaxFlowKgS: 0.15},
			{Sensor: "supply", Load: SupplyLoad, ResolutionKg: 0.005, RepeatabilityKg: 0.002, GainU: 0.0005, MaxFlowKgS: 0.15},
		},
		Caddy: CaddySetup{EmptyKg: 2, HoldsL: 12},
	}
}

func oneScale() *Setup {
	setup := twoScales()
	setup.Scales = setup.Scales[:1]
	setup.Scales[0].Sensor, setup.Scales[0].Load = "caddy", BothLoad
	return setup
}

func aJob() *JobSpec {
	return &JobSpec{ID: "j1", Used: usedFluid, Fresh: freshFluid, LowC: 35, HighC: 45, FirstFill: 0.8}
}

// tester is the common part of testing.T and rapid.T.
type tester interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
	Errorf(format string, args ...any)
}

// bench drives a fold through time: it holds what stands on each scale and makes
// the events that follow.
type bench struct {
	t       tester
	s       State
	seq     uint64
	atNs    int64
	caddy   float64
	supply  float64
	celsius float64
	noise   func() float64
	events  []Event
}

func newBench(t tester, setup *Setup) *bench {
	b := &bench{t: t, atNs: 1_750_000_000e9, caddy: 3.2, supply: 9.1, celsius: 30, noise: func() float64 { return 0 }}
	b.do(Input{Do: DoStart, Setup: setup})
	return b
}

func (b *bench) apply(e Event) {
	b.seq++
	e.Seq, e.AtNs = b.seq, b.atNs
	b.s = Apply(b.s, e)
	b.events = append(b.events, e)
}

func (b *bench) do(in Input) {
	b.t.Helper()
	b.atNs += 1e6
	if err := Check(&b.s, &in); err != nil {
		b.t.Fatalf("%s: %v", in.Do, err)
	}
	b.apply(Event{Kind: KindInput, Input: &in})
}

func (b *bench) plan() Plan {
	b.t.Helper()
	p, err := b.s.Plan()
	if err != nil {
		b.t.Fatal(err)
	}
	return p
}

// run lets time pass at ten weights and two temperatures a second while fluid
// drains and is poured.
func (b *bench) run(seconds, drainKgS, pourKgS float64) {
	for i := range int(seconds * 10) {
		b.atNs += 100e6
		b.caddy += drainKgS / 10
		b.supply -= pourKgS / 10
		shown := func(kg float64) float64 { return math.Round((kg+b.noise())/0.005) * 0.005 }
		if b.s.ScaleN == 2 {
			b.apply(Event{Kind: KindWeight, Sensor: "caddy", Value: shown(b.caddy)})
			b.apply(Event{Kind: KindWeight, Sensor: "supply", Value: shown(b.supply)})
		} else {
			b.apply(Event{Kind: KindWeight, Sensor: "caddy", Value: shown(b.caddy + b.supply)})
		}
		if i%5 == 0 {
			b.apply(Event{Kind: KindTemperature, Sensor: "probe", Value: b.celsius})
		}
	}
}

func TestOrdinaryJob(t *testing.T) {
	for name, setup := range map[string]*Setup{"two scales": twoScales(), "one scale": oneScale()} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, setup)
			b.run(3, 0, 0)
			b.do(Input{Do: DoOpen, Job: aJob()})
			b.run(3, 0, 0)
			b.do(Input{Do: DoPhase, Phase: Draining})
			b.run(60, 0.05, 0) // 3.0 kg
			b.run(5, 0, 0)
			v := b.s.Volumes()
			mass := 3.0 * BuoyancyFactor(b.s.Job.UsedKgM3, 1.2)
			near(t, "drained mass", v.DrainedKg, mass, 0.003)
			near(t, "drained volume", v.DrainedL, mass/b.s.Job.UsedKgM3*1000, 0.004)
			near(t, "to pour first", b.plan().RemainingL, 0.8*b.plan().TargetL, 1e-12)
			if !v.Quality.Good() {
				t.Errorf("quality %q", v.Quality)
			}

			b.do(Input{Do: DoPhase, Phase: Filling})
			b.run(60, 0, 0.04) // 2.4 kg
			b.run(5, 0, 0)
			v = b.s.Volumes()
			dripsKg := 0.003
			if b.s.ScaleN == 1 {
				dripsKg = 0.007 // what the pan may drip while it is filled
			}
			near(t, "added mass", v.AddedKg, 2.4*BuoyancyFactor(b.s.Job.FreshKgM3, 1.2), dripsKg)
			near(t, "drained stays", v.DrainedKg, mass, dripsKg)
			near(t, "balance", v.BalanceL, v.AddedL-v.DrainedL, 0)
			b.do(Input{Do: DoPhase, Phase: Running})
			b.do(Input{Do: DoPhase, Phase: Checking})
			b.run(3, 0, 0)
			v = b.s.Volumes()
			near(t, "remaining to the whole", b.plan().RemainingL, b.plan().TargetL-v.AddedL, 1e-12)
			b.do(Input{Do: DoClose})
			b.run(3, 0, 0.5) // after the end nothing counts
			if after := b.s.Volumes(); after.DrainedL != v.DrainedL || after.AddedL != v.AddedL {
				t.Errorf("a closed job moved: %+v, was %+v", after, v)
			}
		})
	}
}

func TestQualityNamesTheFault(t *testing.T) {
	b := newBench(t, twoScales())
	if v := b.s.Volumes(); v.Quality.String() != "no job was opened yet" || !math.IsNaN(v.DrainedL) {
		t.Errorf("before any job: %+v", v)
	}
	b.run(3, 0, 0)
	b.do(Input{Do: DoOpen, Job: aJob()})
	b.run(3, 0, 0)
	b.do(Input{Do: DoPhase, Phase: Draining})
	b.run(5, 0.05, 0)
	damaged := func(seconds int, faults Faults) func(b *bench) {
		return func(b *bench) {
			for range 10 * seconds {
				b.atNs += 100e6
				b.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: faults})
			}
		}
	}
	cases := []struct {
		name    string
		happens func(b *bench)
		quality string
		null    bool // the figures are blank
	}{
		{"overload", func(b *bench) { b.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultOverload}) }, "scale caddy is overloaded", false},
		{"checksum", func(b *bench) { b.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultChecksum}) }, "scale caddy sends damaged frames", false},
		{"damaged for two seconds", damaged(2, FaultChecksum), "scale caddy sends damaged frames", false},
		{"damaged for four seconds", damaged(4, FaultChecksum), "scale caddy sends damaged frames", true},
		{"overloaded for four seconds", damaged(4, FaultOverload), "scale caddy is overloaded", true},
		{"other unit", func(b *bench) {
			b.apply(Event{Kind: KindWeight, Sensor: "caddy", Faults: FaultUnit, Value: b.caddy})
		}, "good", false},
		{"silence", func(b *bench) { b.atNs += 4e9; b.do(Input{Do: DoTick}) }, "scale caddy is silent", true},
		{"other scale silent", func(b *bench) { b.apply(Event{Kind: KindWeight, Sensor: "supply", Faults: FaultOverload}) }, "good", false},
	}
	for _, c := range cases {
		fork := *b // the fold is a value: each case goes on from the same state
		c.happens(&fork)
		v := fork.s.Volumes()
		if v.Quality.String() != c.quality || math.IsNaN(v.DrainedL) != c.null {
			t.Errorf("%s: quality %q, drained %v", c.name, v.Quality, v.DrainedL)
		}
	}
}

// A job that was opened a moment ago has heard nothing yet: that is no silence.
func TestOpeningIsNoSilence(t *testing.T) {
	b := newBench(t, twoScales())
	b.run(3, 0, 0)
	b.do(Input{Do: DoOpen, Job: aJob()})
	for _, c := range []struct {
		afterNs int64
		code    QualityCode
		asks    bool
	}{{0, QualityUnsettled, false}, {2e9, QualityUnsettled, false}, {2e9, QualitySilent, true}} {
		b.atNs += c.afterNs
		b.do(Input{Do: DoTick})
		if q := b.s.Volumes().Quality; q.Code != c.code {
			t.Errorf("quality %q, want %q", q.Code, c.code)
		}
		if ask, asks := b.s.unmeasured(); asks != c.asks {
			t.Errorf("asks %v: %+v", asks, ask)
		}
	}
}

func TestCheckWindow(t *testing.T) {
	b := newBench(t, twoScales())
	b.do(Input{Do: DoOpen, Job: aJob()}) // 35 to 45 °C
	var seen []WindowState
	for c := 20.0; c < 52; c += 0.02 {
		b.celsius = c
		b.run(0.5, 0, 0)
		w := b.s.CheckWindow()
		if w.State == Open && (w.TempC < 34.95 || w.TempC > 45) { // it may be inside before it seems to be
			t.Fatalf("open at %.2f °C", w.TempC)
		}
		if len(seen) == 0 || seen[len(seen)-1] != w.State {
			seen = append(seen, w.State)
		}
	}
	if want := []WindowState{Blind, Below, Nearing, Open, Closing, Above}; !reflect.DeepEqual(seen, want) {
		t.Errorf("states %v, want %v", seen, want)
	}
	near(t, "rate", b.s.CheckWindow().RateCMin, 0.02*120, 0.05)
	b.atNs += 11e9
	b.do(Input{Do: DoTick})
	if w := b.s.CheckWindow(); w.State != Blind || !math.IsNaN(w.TempC) || w.Quality.String() != "probe probe is silent" {
		t.Errorf("after silence: %+v", w)
	}
}

func TestRefusals(t *testing.T) {
	b := newBench(t, twoScales())
	bad := aJob()
	bad.Fresh.DensityKgM3 = 8460
	window := aJob()
	window.LowC = 50
	for _, c := range []struct {
		in   Input
		want string
	}{
		{Input{Do: "drain"}, "do: refuse.choice"},
		{Input{Do: DoPhase, Phase: Draining}, "do: refuse.no_job"},
		{Input{Do: DoClose}, "do: refuse.no_job"},
		{Input{Do: DoOpen}, "job: is required"},
		{Input{Do: DoOpen, Job: bad}, "fluid: "},
		{Input{Do: DoOpen, Job: window}, "low_c: refuse.window_reversed"},
		{Input{Do: DoStart}, "setup: "},
		{Input{Do: DoStart, Setup: &Setup{}}, "setup.scales: 0 given"},
		{Input{Do: DoAnswer, Change: 1, As: AsFluid}, "do: refuse.no_job"},
		{Input{Do: DoClear}, "do: refuse.no_job"},
		{Input{Do: DoBaseline}, "do: refuse.no_job"},
		{Input{Do: DoEnter}, "do: refuse.no_job"},
		{Input{Do: DoRecord}, "do: refuse.no_job"},
		{Input{Do: DoAbandon}, "do: refuse.no_job"},
		{Input{Do: DoGear, Gear: "R"}, "do: refuse.no_job"},
	} {
		before := b.s
		if err := Check(&b.s, &c.in); err == nil || !strings.Contains(err.Error(), c.want) || !namesAField.MatchString(err.Error()) {
			t.Errorf("%+v: %v, want %q", c.in, err, c.want)
		}
		// The fold ignores what Check refuses.
		b.apply(Event{Kind: KindInput, Input: &c.in})
		before.Seq, before.NowNs = b.s.Seq, b.s.NowNs
		if !reflect.DeepEqual(before, b.s) {
			t.Errorf("%+v changed the state", c.in)
		}
	}
}

// A state survives JSON to the last bit.
func TestSnapshotIsExact(t *testing.T) {
	b := newBench(t, twoScales())
	rng := rand.New(rand.NewPCG(7, 7))
	b.noise = func() float64 { return 0.002 * rng.NormFloat64() }
	b.run(3, 0, 0)
	b.do(Input{Do: DoOpen, Job: aJob()})
	b.run(3, 0, 0)
	b.do(Input{Do: DoPhase, Phase: Draining})
	b.run(10, 0.05, 0)
	b.caddy += 0.7
	b.run(1, 0.05, 0) // in the middle of a change
	kept, err := json.Marshal(b.s)
	if err != nil {
		t.Fatal(err)
	}
	var again State
	if err := json.Unmarshal(kept, &again); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(again, b.s) {
		t.Fatalf("the snapshot differs:\n%+v\n%+v", again, b.s)
	}
}

func TestApplyDoesNotChangeTheOldState(t *testing.T) {
	b := newBench(t, twoScales())
	b.run(3, 0, 0)
	b.do(Input{Do: DoOpen, Job: aJob()})
	b.run(3, 0, 0)
	b.do(Input{Do: DoPhase, Phase: Draining})
	for range 2 {
		b.caddy += 1
		b.run(5, 0, 0)
	}
	b.do(Input{Do: DoPhase, Phase: Service})
	old := b.s
	kept, _ := json.Marshal(old)
	b.do(Input{Do: DoAnswer, Change: 1, As: AsFluid})
	b.caddy -= 1
	b.run(5, 0, 0)
	b.do(Input{Do: DoClear})
	b.run(5, 0, 0)
	if now, _ := json.Marshal(old); string(now) != string(kept) {
		t.Errorf("an old state changed:\n%s\n%s", kept, now)
	}
}
