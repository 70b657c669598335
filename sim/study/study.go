package study

import (
	"context"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"bayfill/fillcalc"
)

// Job is the result of one job.
type Job struct {
	Number                  int
	Drained, Added, Balance Figure // drained with what ran out of the check opening
	Counts                  Counts
	LiveML                  []float64 // absolute errors of the live added volume, see lookLive
	BehindS                 []float64 // how late it was
	Back                    int       // how often it fell by more than its uncertainty
	Refused                 string    // why the job could not be closed normally; usually empty
	Told                    []string  // what warned whoever looked: questions, alerts and troubles; empty: nothing did
}

// Figure is one volume in litres at 20 °C: the result of the fold with its expanded
// uncertainty (k = 2), the truth, and the result of jug and bottles.
type Figure struct {
	L, UL, TrueL, ManualL float64
	WeighedOffKg          float64 // error of the tally without the part of the scale's slope and the density
	wholeL                float64 // the volume that relative errors refer to
}

// ErrorL is the result of the fold less the truth.
func (f Figure) ErrorL() float64 { return f.L - f.TrueL }

// OverU is the largest of the three errors, each divided by its expanded uncertainty.
func (j *Job) OverU() float64 {
	maxRatio := 0.0
	for _, f := range []Figure{j.Drained, j.Added, j.Balance} {
		maxRatio = math.Max(maxRatio, math.Abs(f.ErrorL())/f.UL)
	}
	return maxRatio
}

// Gross reports whether an error is so large that its uncertainty misleads: larger
// than 2 U + 10 mL.
func (j *Job) Gross() bool {
	return slices.ContainsFunc([]Figure{j.Drained, j.Added, j.Balance}, func(f Figure) bool {
		return !(math.Abs(f.ErrorL()) <= 2*f.UL+0.01) // an unknown volume is one
	})
}

// Silent reports whether the job has a gross error and nothing warned whoever looked.
func (j *Job) Silent() bool { return j.Gross() && len(j.Told) == 0 }

// told lists what warns whoever looks at the job now.
func (p *play) told() (list []string) {
	if p.counts.Asked > 0 {
		list = append(list, "asked")
	}
	if slices.ContainsFunc(p.s.Job.Changes, func(c fillcalc.Change) bool { return c.Asks() }) {
		list = append(list, "undecided")
	}
	for _, a := range p.s.Alerts() {
		list = append(list, "alert "+string(a.Code))
	}
	if len(p.s.Troubles()) > 0 {
		list = append(list, "trouble")
	}
	return list
}

// Play plays one job of a study and writes what happens to log, unless it is nil.
func Play(d *Distribution, seed uint64, number int, log io.Writer) Job {
	p := newPlay(d, seed, uint64(number), log)
	p.job()
	t, v, offKg := p.cart.Truth(), p.s.Volumes(), p.errorKg()
	used, fresh := p.drawn.cart.Used, p.drawn.cart.Fresh
	drainedKg := t.DrainedKg - t.SpilledKg
	overflowL := t.OverflowedKg / fresh.DensityKgM3(referenceC) * 1000
	drainedL, addedL := drainedKg/used.DensityKgM3(referenceC)*1000, t.AddedKg/fresh.DensityKgM3(referenceC)*1000
	// Random numbers of their own: a change of the manual method changes no job.
	rng := rand.New(rand.NewPCG(^seed, uint64(number)))
	manualDrainedL, manualAddedL := manual(d, rng, drainedKg/used.DensityKgM3(p.jugC)*1000, addedL)
	j := Job{
		Number:  number,
		Drained: Figure{v.DrainedL + v.OverflowL, math.Hypot(v.DrainedUL, v.OverflowUL), drainedL + overflowL, manualDrainedL, offKg[0], drainedL},
		Added:   Figure{v.AddedL, v.AddedUL, addedL, manualAddedL, offKg[1], addedL},
		Balance: Figure{v.BalanceL, v.BalanceUL, addedL - drainedL - overflowL, manualAddedL - manualDrainedL, offKg[1] - offKg[0], drainedL},
		Counts:  p.counts, Refused: p.refused, Told: p.warned, LiveML: p.live.ml, BehindS: p.live.behindS, Back: p.live.back,
	}
	for _, c := range p.s.Job.Changes {
		p.say("change %d on %s: %+.3f kg is %s, said %q, of %d to %d", c.ID, c.Sensor, c.Kg, c.As, c.Said, c.First, c.Last)
	}
	for _, c := range p.s.Job.Clears {
		p.say("clear weighing of %s: %.4f kg live, %.4f kg settled", c.Sensor, c.LiveKg, c.SettledKg)
	}
	for i, f := range []Figure{j.Drained, j.Added, j.Balance} {
		p.say("%s %.4f ± %.4f L, truly %.4f: %+.1f mL (weighed %+.1f g off); by hand %+.1f mL", [...]string{"drained", "added", "balance"}[i],
			f.L, f.UL, f.TrueL, 1000*f.ErrorL(), 1000*f.WeighedOffKg, 1000*(f.ManualL-f.TrueL))
	}
	return j
}

// Events plays one job of a study and returns its events, from the start of the
// program to the end of the job.
func Events(d *Distribution, seed uint64, number int) []fillcalc.Event {
	p := newPlay(d, seed, uint64(number), nil)
	events := []fillcalc.Event{{Seq: p.seq, AtNs: p.lastNs, Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoStart, Setup: &p.drawn.setup}}}
	p.took = func(e fillcalc.Event) { events = append(events, e) }
	p.job()
	return events
}

// errorKg is the result of the fold less the truth, drained and added, without the
// part that the slopes of the scales cause.
func (p *play) errorKg() [2]float64 {
	v, j := p.s.Volumes(), &p.s.Job
	drained, added := p.trueKg()
	return [2]float64{
		(v.DrainedKg/j.UsedFactor+v.OverflowL*j.FreshKgM3/1000/j.FreshFactor)/(1+p.scales[p.caddyScale()].p.GainError) - drained,
		v.AddedKg/j.FreshFactor/(1+p.scales[p.supplyScale()].p.GainError) - added,
	}
}

// Run plays jobs 1 to n on all cores and waits for them. The result does not depend
// on the number of cores. The error is that of ctx.
func Run(ctx context.Context, d *Distribution, seed uint64, n int) ([]Job, error) {
	jobs := make([]Job, n)
	var next atomic.Int64
	var workers sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		workers.Go(func() {
			for i := int(next.Add(1)); i <= n && ctx.Err() == nil; i = int(next.Add(1)) {
				jobs[i-1] = Play(d, seed, i, nil)
			}
		})
	}
	workers.Wait()
	return jobs, ctx.Err()
}
