package fillcalc

import (
	"math"
	"testing"
)

// first is what is asked first, as its key and its tone.
func (r *rig) first() (key string, tone Tone) {
	ask := r.s.Next()[0]
	return ask.Key, ask.Tone
}

func (r *rig) wantFirst(what, key string, tone Tone) {
	r.t.Helper()
	if gotKey, gotTone := r.first(); gotKey != key || gotTone != tone {
		r.t.Errorf("%s: %s (%s) is asked first, want %s (%s)", what, gotKey, gotTone, key, tone)
	}
}

// A caddy that is nearly full, or too small for what will come, and an instrument that is not
// heard while the phase needs it, come before the work itself.
func TestWhatStopsTheWorkComesFirst(t *testing.T) {
	small := twoScales()
	small.Caddy.HoldsL = 4.2 // 3.2 kg stand on the scale: an empty caddy of 2 kg with 1.4 L in it
	r := started(t, small, aJob(), Draining)
	r.scene(20, steady(0.05), nil, nil)
	r.wantFirst("room for 1.6 L", "ask.run_dry", ToneWait)
	r.scene(20, steady(0.05), nil, nil)
	r.wantFirst("room for 0.5 L", "ask.caddy_full", ToneStop)

	known := aJob()
	known.TypicalL = 4
	r = started(t, small, known, Draining)
	r.scene(5, steady(0.05), nil, nil)
	r.wantFirst("room for 2.5 L, and 3.7 L come", "ask.caddy_small", ToneDo)

	r = started(t, twoScales(), aJob(), Draining)
	r.scene(10, steady(0.05), nil, nil)
	r.atNs += 5e9
	r.do(Input{Do: DoTick})
	r.wantFirst("a silent scale", "ask.no_scale", ToneUnmeasured)

	r = checked(t, aJob(), 3)
	r.wantFirst("a probe that is heard", "ask.level", ToneCheck)
	r.rest(15) // weights only
	r.wantFirst("a silent probe", "ask.no_temperature", ToneUnmeasured)
}

// Somebody pours on past the first fill: slowly 50 mL before, stop at the line, and how much
// too much beyond. A hand needs a second, so both come earlier the faster it flows.
func TestStopLineOfTheFirstFill(t *testing.T) {
	for _, flowKgS := range []float64{0.015, 0.05, 0.08} {
		r := drained(t, twoScales(), aJob())
		if l, ok := r.s.Line(); !ok || !math.IsNaN(l.ToS) || math.Abs(l.AtL-r.plan().FirstFillL) > 1e-9 {
			t.Fatalf("line %+v", l)
		}
		slowL, stopL, keys := 0.0, 0.0, []string{}
		for range int(3 / flowKgS * 10) {
			r.scene(0.1, nil, steady(flowKgS), nil)
			key, _ := r.first()
			l, _ := r.s.Line()
			if n := len(keys); n == 0 || keys[n-1] != key {
				keys = append(keys, key)
			}
			switch {
			case key == "ask.slow" && slowL == 0:
				slowL = l.ToL
			case key == "ask.stop" && stopL == 0:
				stopL = l.ToL
			}
			if key == "ask.past_first_fill" {
				break
			}
			if flowL := r.s.Volumes().AddedLMin / 60; flowL > 0.002 {
				near(t, "seconds to the line", l.ToS, max(0, l.ToL/flowL), 1e-9)
			}
		}
		flowL := flowKgS * r.s.Job.FreshFactor / r.s.Job.FreshKgM3 * 1000
		stepL := 0.01 + 0.3*flowL // the level is known every quarter of a second
		near(t, "slow before the line", slowL, nearLineL+handS*flowL, stepL)
		near(t, "stop before the line", stopL, handS*flowL, stepL)
		if len(keys) < 4 || keys[len(keys)-3] != "ask.slow" || keys[len(keys)-2] != "ask.stop" || keys[len(keys)-1] != "ask.past_first_fill" {
			t.Errorf("at %g kg/s: asked %q", flowKgS, keys)
		}
		r.wantFirst("beyond the line", "ask.past_first_fill", ToneStop)
		r.rest(5)
		r.wantFirst("poured and stopped", "ask.engine", ToneDo)
	}
}

// Far too much is poured in: that is neither "still to pour" nor a way to the engine.
func TestTooMuchIn(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	r.scene(70, nil, steady(0.05), nil) // 3.5 kg for 3.0
	r.wantFirst("while it flows", "ask.past_first_fill", ToneStop)
	r.rest(5)
	r.wantFirst("and after", "ask.draw_off", ToneStop)
	near(t, "too much, L", r.s.Next()[0].Figures["over_l"], 3.5/0.843-r.plan().TargetL, 0.03)
	r.do(Input{Do: DoPhase, Phase: Running})
	r.scene(4, nil, steady(0.05), nil)
	r.wantFirst("while it runs", "ask.too_much", ToneStop)
	if l, _ := r.s.Line(); l.ToL > -0.5 || l.ToS != 0 {
		t.Errorf("line %+v", l)
	}
}

// No line before there is something to pour, and none after the job.
func TestNoLine(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.rest(5)
	for _, phase := range []Phase{Service, Filling} {
		if _, ok := r.s.Line(); ok {
			t.Errorf("a line in %s", r.s.Job.Phase)
		}
		r.phase(phase)
	}
	r.settled(Input{Do: DoClose})
	if _, ok := r.s.Line(); ok {
		t.Error("a line in a closed job")
	}
	r.wantFirst("after the job", "ask.open", ToneDone)
}

// Each ask has a tone of the list, in every phase.
func TestEveryAskHasATone(t *testing.T) {
	known := map[Tone]bool{}
	for _, tone := range Tones {
		known[tone] = true
	}
	r := drained(t, twoScales(), aJob())
	s := State{}
	for i, e := range r.events {
		s = Apply(s, e)
		if i%40 == 0 {
			for _, ask := range s.Next() {
				if !known[ask.Tone] {
					t.Errorf("%s has the tone %q", ask.Key, ask.Tone)
				}
			}
		}
	}
}

// The window opens while the engine still runs: the check comes first, and its tone says when
// the window closes soon.
func TestToneOfTheWindow(t *testing.T) {
	r := drained(t, twoScales(), aJob())
	r.scene(50, nil, steady(0.05), nil)
	r.rest(5)
	r.do(Input{Do: DoPhase, Phase: Running})
	r.warm(40)
	r.wantFirst("the window is open", "ask.check_now", ToneCheck)
	for c := 40.0; c < 44; c += 0.05 {
		r.atNs += 1e9
		r.apply(Event{Kind: KindTemperature, Sensor: "probe", Value: c})
		r.rest(0.1)
	}
	r.wantFirst("it closes soon", "ask.check_now", ToneClosing)
}
