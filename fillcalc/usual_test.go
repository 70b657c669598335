package fillcalc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// What is usual, computed by hand: the median, and ± 2 · 1.4826 · factor · MAD. One odd job
// moves neither much.
func TestUsualOf(t *testing.T) {
	for _, c := range []struct {
		name   string
		litres []float64
		median float64
		u      float64
	}{
		// Sorted 2.0 4.1 4.2 4.3 4.3 4.4 4.6; distances 0 0 0.1 0.1 0.2 0.3 2.3: MAD 0.1, factor 1.140.
		{"seven, one of them odd", []float64{4.2, 4.4, 4.3, 4.6, 4.1, 4.3, 2.0}, 4.3, 2 * 1.4826 * 1.140 * 0.1},
		// Median (4.2 + 4.4)/2; distances 0.1 0.1 0.3 0.3 0.5 0.5 0.7 0.7 0.9 0.9: MAD (0.5 + 0.5)/2, factor 10/9.2.
		{"ten", []float64{3.4, 3.6, 3.8, 4.0, 4.2, 4.4, 4.6, 4.8, 5.0, 5.2}, 4.3, 2 * 1.4826 * 10 / 9.2 * 0.5},
		{"five alike", []float64{4.5, 4.5, 4.5, 4.5, 4.5}, 4.5, 0.1},
	} {
		median, u, ok := UsualOf(c.litres)
		if !ok || math.Abs(median-c.median) > 1e-12 || math.Abs(u-c.u) > 1e-12 {
			t.Errorf("%s: %v ± %v (%t), want %v ± %v", c.name, median, u, ok, c.median, c.u)
		}
	}
	if _, _, ok := UsualOf([]float64{4, 4, 4, 4}); ok {
		t.Error("four jobs say what is usual")
	}
}

// Of ordinary jobs, normally distributed, few get a note, even after few jobs; of jobs with a
// quarter left in the pan, most do.
func TestUsualIsRarelyWrong(t *testing.T) {
	const usual, sigma, trials = 4.5, 0.12, 4000
	rng := rand.New(rand.NewPCG(15, 4))
	for _, c := range []struct {
		jobs        int
		most, least float64
	}{{5, 0.06, 0.9}, {10, 0.025, 0.95}, {60, 0.007, 0.99}} {
		ordinary, quarter := 0, 0
		for range trials {
			litres := make([]float64, c.jobs)
			for i := range litres {
				litres[i] = usual + sigma*rng.NormFloat64()
			}
			median, uL, _ := UsualOf(litres)
			u := Usual{median, uL, c.jobs}
			next := usual + sigma*rng.NormFloat64()
			if math.Abs(next-median) > u.limitL() {
				ordinary++
			}
			if next-1.125 < median-u.limitL() {
				quarter++
			}
		}
		if share := float64(ordinary) / trials; share > c.most {
			t.Errorf("after %d jobs %.1f %% of ordinary ones get a note", c.jobs, 100*share)
		}
		if share := float64(quarter) / trials; share < c.least {
			t.Errorf("after %d jobs %.1f %% of those with a quarter left get a note", c.jobs, 100*share)
		}
	}
}

// A job in which less comes out than usual says so before the refill, once no more comes; an
// entry that tells where the rest is ends it. The target stays that of the measurement.
func TestUsualNote(t *testing.T) {
	open := func(usual *Usual) *rig {
		spec := aJob()
		spec.Usual = usual
		return started(t, twoScales(), spec, Draining)
	}
	note := func(r *rig) string {
		text, _ := r.s.UsualNote()
		return plain(text)
	}
	r := open(&Usual{OutL: 4.5, UL: 0.2, Jobs: 14})
	r.scene(60, steady(0.05), nil, nil) // 3 kg: about 3.5 L
	if got := note(r); got != "" {
		t.Errorf("while it runs: %s", got)
	}
	r.rest(120)
	const less = "note.usual_less jobs=14.00 out_l=3.5"
	if got := note(r); !strings.HasPrefix(got, less) {
		t.Errorf("while it drips: %q, want %q", got, less)
	}
	r.do(Input{Do: DoPhase, Phase: Service})
	if got := note(r); !strings.HasPrefix(got, less) {
		t.Errorf("in service: %q, want %q", got, less)
	}
	plan, err := r.s.Plan()
	if err != nil {
		t.Fatal(err)
	}
	r.s.Job.Spec.Usual = nil
	if without, _ := r.s.Plan(); without.TargetL != plan.TargetL {
		t.Errorf("what is usual changed the target from %v to %v L", without.TargetL, plan.TargetL)
	}
	r.s.Job.Spec.Usual = &Usual{OutL: 4.5, UL: 0.2, Jobs: 14}
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterRetained, L: 1, UL: 0.1}})
	if got := note(r); got != "" {
		t.Errorf("with the rest in the pan: %s", got)
	}
	much := Input{Do: DoEnter, Entry: &Entry{What: EnterSpilled, L: 1, UL: 0.1}}
	r.wantAsked(much, "refuse.out_usual")
	much.Why = "the pan fell"
	r.do(much)
	if got := note(r); !strings.HasPrefix(got, "note.usual_more") {
		t.Errorf("with more than usual: %q", got)
	}
	r.do(Input{Do: DoPhase, Phase: Filling})
	if got := note(r); got != "" {
		t.Errorf("while filling: %s", got)
	}

	r = open(&Usual{OutL: 2.5, UL: 0.2, Jobs: 14})
	r.scene(60, steady(0.05), nil, nil)
	if got := note(r); !strings.HasPrefix(got, "note.usual_more") {
		t.Errorf("more than usual while it runs: %q", got)
	}
	r = open(nil)
	r.scene(60, steady(0.05), nil, nil)
	r.do(Input{Do: DoPhase, Phase: Service})
	if got := note(r); got != "" {
		t.Errorf("without other jobs: %s", got)
	}
}

func TestPasses(t *testing.T) {
	for phases, want := range map[string]int{
		"ready": 0, "ready draining service filling": 1, "ready draining service draining service filling": 1,
		"ready draining service filling running draining filling checking": 2,
	} {
		var j Job
		for _, p := range strings.Fields(phases) {
			j.Phases = append(j.Phases, PhaseAt{Phase: Phase(p)})
		}
		if got := j.Drains(); got != want {
			t.Errorf("%s: %d passes, want %d", phases, got, want)
		}
	}
}

func TestUsualIsChecked(t *testing.T) {
	for _, u := range []Usual{{4.5, 0.2, 4}, {0, 0.2, 9}, {math.NaN(), 0.2, 9}, {4.5, 0, 9}, {4.5, math.Inf(1), 9}} {
		spec := aJob()
		spec.Usual = &u
		r := newRig(t, twoScales(), 10, 0)
		r.rest(4)
		r.refused(Input{Do: DoOpen, Job: spec}, "usual: ")
	}
}
