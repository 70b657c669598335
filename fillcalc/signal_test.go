package fillcalc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// rig is a cart whose signal is made reading by reading, as an indicator makes
// it: a moving average over half a second, rounded to the display's step. All
// of it is invented; the figures of the indicator are common practice, no
// source.
type rig struct {
	*bench
	hz    float64
	noise float64 // kg, standard deviation
	// Weights as functions of the time since a scene began.
	caddyKg, supplyKg float64
	rng               *rand.Rand
	recent            [2][]float64
}

func newRig(t tester, setup *Setup, hz, noiseKg float64) *rig {
	r := &rig{bench: newBench(t, setup), hz: hz, noise: noiseKg, caddyKg: 3.2, supplyKg: 9.1,
		rng: rand.New(rand.NewPCG(11, uint64(hz*1000)))}
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

// ramp rises from nothing to v between two times and stays.
func ramp(from, to, v float64) func(float64) float64 {
	return func(t float64) float64 { return v * min(1, max(0, (t-from)/(to-from))) }
}

// What the signal is told apart into. Every scene begins and ends quiet, in the
// phase draining on a scale of its own.
func TestScenes(t *testing.T) {
	type want struct {
		steps     []float64 // kg
		decided   []Decision
		drainedKg float64
	}
	scenes := []struct {
		name  string
		flow  func(float64) float64
		force func(float64) float64
		want  want
		tolKg float64 // on what drained and on each step
	}{
		{"quiet", nil, nil, want{}, 0.003},
		{"pour", during(2, 22, 0.05), nil, want{drainedKg: 1}, 0.004},
		{"fast pour", during(2, 12, 0.14), nil, want{drainedKg: 1.4}, 0.004},
		{"short pour", during(2, 5, 0.06), nil, want{drainedKg: 0.18}, 0.004},
		{"drip", steady(0.0005), nil, want{drainedKg: 0.03}, 0.004},
		{"gush that runs dry", decayed(0.14, 12), nil, want{drainedKg: 0.14 * 12 * (1 - math.Exp(-5))}, 0.005},
		{"a wrench", nil, ramp(5, 5.1, 0.45), want{steps: []float64{0.45}, decided: []Decision{""}}, 0.006},
		{"a light spanner", nil, ramp(5, 5.1, 0.08), want{steps: []float64{0.08}, decided: []Decision{""}}, 0.006},
		{"a pan tipped in within two seconds", during(5, 6, 0.45), nil, want{steps: []float64{0.45}, decided: []Decision{""}}, 0.008},
		{"a wrench while it drains", steady(0.03), ramp(20, 20.1, 0.45), want{steps: []float64{0.45}, decided: []Decision{""}, drainedKg: 1.8}, 0.012},
		{"a wrench comes and goes", nil, plus(ramp(5, 5.1, 0.45), ramp(25, 25.1, -0.45)),
			want{steps: []float64{0.45, -0.45}, decided: []Decision{AsObject, AsObject}}, 0.006},
		{"a wrench comes and goes while it drains", steady(0.03), plus(ramp(15, 15.1, 0.45), ramp(35, 35.1, -0.45)),
			want{steps: []float64{0.45, -0.45}, decided: []Decision{AsObject, AsObject}, drainedKg: 1.8}, 0.012},
		{"a pan laid on to drip leaves fluid", nil, plus(ramp(5, 5.3, 1.5), ramp(45, 45.3, -1.2)),
			want{steps: []float64{1.5, -1.2}, decided: []Decision{AsObject, AsObject}, drainedKg: 0.3}, 0.006},
		{"two tools laid on, taken together", nil, plus(ramp(5, 5.1, 0.3), ramp(15, 15.1, 0.5), ramp(35, 35.1, -0.8)),
			want{steps: []float64{0.3, 0.5, -0.8}, decided: []Decision{AsObject, AsObject, AsObject}}, 0.006},
		{"two tools taken one by one", nil, plus(ramp(5, 5.1, 0.3), ramp(15, 15.1, 0.5), ramp(35, 35.1, -0.3), ramp(45, 45.1, -0.5)),
			want{steps: []float64{0.3, 0.5, -0.3, -0.5}, decided: []Decision{AsObject, AsObject, AsObject, AsObject}}, 0.006},
		{"caddy lifted and put back", nil, plus(ramp(10, 10.3, -3), ramp(20, 20.3, 3)),
			want{steps: []float64{-3, 3}, decided: []Decision{AsObject, AsObject}}, 0.006},
		{"caddy emptied", nil, plus(ramp(10, 10.3, -3.2), ramp(20, 20.3, 2.4)),
			want{steps: []float64{-3.2, 2.4}, decided: []Decision{"", ""}}, 0.006},
		{"kick", nil, during(10, 10.3, 3), want{}, 0.004},
		{"kick while it drains", steady(0.05), during(10, 10.3, 3), want{drainedKg: 3}, 0.006},
		{"vibration", steady(0.01), func(t float64) float64 { return 0.015 * math.Sin(2*math.Pi*1.7*t) }, want{drainedKg: 0.6}, 0.02},
		{"slow lean, gone slowly", nil, plus(ramp(10, 30, 2), ramp(35, 55, -2)), want{steps: []float64{-2}, decided: []Decision{AsLean}}, 0.01},
		{"slow lean, gone at once", nil, plus(ramp(10, 30, 2), ramp(35, 35.2, -2)), want{steps: []float64{-2}, decided: []Decision{AsLean}}, 0.01},
		{"pumped out", during(10, 40, -0.05), nil, want{steps: []float64{-1.5}, decided: []Decision{""}}, 0.02},
	}
	for _, scene := range scenes {
		for _, hz := range []float64{80, 10, 5, 2} {
			t.Run(fmt.Sprintf("%s at %g Hz", scene.name, hz), func(t *testing.T) {
				r := newRig(t, twoScales(), hz, 0.002)
				r.scene(4, nil, nil, nil)
				r.do(Input{Do: DoOpen, Job: aJob()})
				r.do(Input{Do: DoPhase, Phase: Draining})
				r.scene(60, scene.flow, nil, scene.force)
				end := 0.0
				if scene.force != nil {
					end = scene.force(60)
				}
				r.scene(6, nil, nil, steady(end))
				steps := r.s.Job.Steps
				// With few readings to smooth, a weighing is hardly better than one of them.
				slackKg := map[float64]float64{80: 0, 10: 0, 5: 0.003, 2: 0.015}[hz]
				near(t, "drained", r.s.Volumes().DrainedKg/r.s.Job.UsedFactor, scene.want.drainedKg, scene.tolKg+slackKg)
				if len(steps) != len(scene.want.steps) {
					t.Fatalf("%d steps, want %v: %+v", len(steps), scene.want.steps, steps)
				}
				for i, step := range steps {
					tolKg := scene.tolKg + slackKg + 2*math.Sqrt(step.U2)
					if step.As == AsLean || step.Cause == Backward {
						tolKg = 0.1 // where a slow turn begins is not sharp
					}
					near(t, "step", step.Kg, scene.want.steps[i], tolKg)
					if step.As != scene.want.decided[i] {
						t.Errorf("step %d (%.3f kg) is decided %q, want %q", i+1, step.Kg, step.As, scene.want.decided[i])
					}
				}
			})
		}
	}
}
