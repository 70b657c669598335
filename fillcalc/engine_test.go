package fillcalc

import (
	"errors"
	"strings"
	"testing"
)

// drained is a job of which 3 kg came out, and that is in the phase filling.
func drained(t *testing.T, setup *Setup, spec *JobSpec) *rig {
	t.Helper()
	r := started(t, setup, spec, Ready)
	r.do(Input{Do: DoPhase, Phase: Draining})
	r.scene(60, steady(0.05), nil, nil)
	for _, phase := range []Phase{Service, Filling} {
		r.rest(6)
		r.settled(Input{Do: DoPhase, Phase: phase})
	}
	r.rest(6)
	return r
}

// The phase running was taken by mistake, twice, and once somebody insisted. The guard judges by
// what is in, so it asks back again each time.
func TestMistakenPhaseDoesNotDisarmTheGuard(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	running := Input{Do: DoPhase, Phase: Running}
	r.refused(running, "refuse.too_little_in")
	r.do(Input{Do: DoPhase, Phase: Running, Why: "pressed by mistake"})
	r.rest(4)
	r.do(Input{Do: DoPhase, Phase: Checking}) // the engine runs already: not asked again
	r.rest(4)
	near(t, "to pour while it is said to run", r.plan().RemainingL, r.plan().TargetL, 0.02)
	r.do(Input{Do: DoPhase, Phase: Filling})
	near(t, "to pour", r.plan().RemainingL, 0.8*r.plan().TargetL, 0.02)
	r.refused(running, "refuse.too_little_in")
	r.scene(42, nil, steady(0.05), nil) // 2.1 of 2.4 kg
	r.rest(5)
	r.refused(running, "refuse.too_little_in")
	r.scene(2, nil, steady(0.05), nil)
	r.rest(5)
	r.do(running)
}

func TestWhetherTheEngineHasRun(t *testing.T) {
	for name, c := range map[string]struct {
		seconds float64
		gear    string
		said    Engine
		want    bool
	}{
		"gone back at once":              {seconds: 10},
		"gone back after a minute":       {seconds: 60, want: true},
		"a gear was engaged":             {seconds: 10, gear: "R", want: true},
		"it was not started, a person":   {seconds: 60, said: EngineNotRun},
		"it ran for a moment, a person":  {seconds: 10, said: EngineRan, want: true},
		"a gear, but it was not started": {seconds: 10, gear: "R", said: EngineNotRun},
	} {
		r := drained(t, twoScales(), aJob())
		r.scene(50, nil, steady(0.05), nil)
		r.rest(5)
		r.do(Input{Do: DoPhase, Phase: Running})
		if c.gear != "" {
			r.do(Input{Do: DoGear, Gear: c.gear})
		}
		r.rest(c.seconds)
		if !r.s.Job.engineRan() {
			t.Errorf("%s: while the phase runs, the engine has not", name)
		}
		r.do(Input{Do: DoPhase, Phase: Filling, Engine: c.said})
		r.rest(60)
		if got := r.s.Job.engineRan(); got != c.want {
			t.Errorf("%s: the engine has run: %v", name, got)
		}
		r.refused(Input{Do: DoPhase, Phase: Service, Engine: EngineRan}, "engine: refuse.engine")
		r.do(Input{Do: DoPhase, Phase: Draining})
		if r.s.Job.engineRan() {
			t.Errorf("%s: what it ran with is out again", name)
		}
	}
}

// A phase that leaves out another one is asked back, and begins with a reason. A fill without
// other service is ordinary, and so is going back.
func TestSkippedPhaseIsAskedBack(t *testing.T) {
	for _, c := range []struct {
		from, to, skipped Phase
	}{
		{Ready, Draining, NoJob}, {Ready, Service, Draining}, {Ready, Filling, Draining}, {Draining, Service, NoJob}, {Draining, Filling, NoJob},
		{Draining, Running, Service}, {Service, Filling, NoJob}, {Service, Checking, Filling}, {Filling, Running, NoJob}, {Filling, Checking, Running},
		{Checking, Draining, NoJob}, {Running, Filling, NoJob}, {Running, Running, NoJob},
	} {
		if got := c.from.skips(c.to); got != c.skipped {
			t.Errorf("%s to %s skips %q, want %q", c.from, c.to, got, c.skipped)
		}
	}
	r := started(t, twoScales(), aJob(), Ready)
	in := Input{Do: DoPhase, Phase: Filling}
	var asked *Refusal
	if err := Check(&r.s, &in); !errors.As(err, &asked) || !asked.Insist || asked.Names["phase"] != "draining" {
		t.Errorf("%v", Check(&r.s, &in))
	}
	in.Why = "it was drained yesterday"
	r.do(in)
	if said := r.remarks(); !strings.Contains(said, "remark.early") {
		t.Errorf("remarks:\n%s", said)
	}
}

// While a scale is silent nobody knows what is in: that is asked back as well.
func TestUnknownFillIsAskedBack(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	r.scene(50, nil, steady(0.05), nil)
	r.atNs += 5e9
	r.do(Input{Do: DoTick})
	r.refused(Input{Do: DoPhase, Phase: Running}, "refuse.fill_unknown")
}

// While the first fill is missing, Next asks for it, and not for the phase running.
func TestNextDoesNotOfferTheEngineTooEarly(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	offers := func() bool {
		for _, ask := range r.s.Next() {
			if ask.Do == DoPhase {
				return true
			}
		}
		return false
	}
	for range 8 {
		if r.plan().RemainingL > 0.05 && offers() {
			t.Errorf("%.2f L are missing, and asked is %q", r.plan().RemainingL, r.next())
		}
		r.scene(6, nil, steady(0.05), nil)
	}
	r.rest(5)
	if !offers() {
		t.Errorf("the first fill is in, and asked is %q", r.next())
	}
}
