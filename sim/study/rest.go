package study

import (
	"math"
	"strings"
	"time"

	"bayfill/fillcalc"
)

// rest is the last time at which nothing moved and everything was decided: then
// the tally must be right but for the band of the scale, and any jump since the
// time before is somebody's doing.
type rest struct {
	known   bool
	next    time.Duration // to look again
	errorKg [2]float64    // fold less truth: drained, added
	moveN   int
	stepN   int
}

const (
	restEvery = time.Second
	restNs    = 4e9 // nothing moved for so long
)

func (p *play) bandKg(scale int) float64 {
	setup := &p.drawn.setup.Scales[scale]
	return 4 * (setup.ResolutionKg + setup.RepeatabilityKg)
}

// flowing tells whether fluid truly ran of late, enough to matter.
func (p *play) flowing(scale int) bool {
	now := p.past[len(p.past)-1]
	change := now.on[scale].minus(p.at(now.atNs - restNs).on[scale])
	return math.Abs(change.fluidKg) > p.bandKg(scale)/4
}

func (p *play) atRest() bool {
	p.rest.next = p.now + restEvery
	if !p.s.Job.Phase.Open() || p.panLies || p.now < p.downUntil {
		return false
	}
	for i := range p.scales {
		now := p.past[len(p.past)-1]
		change := now.on[i].minus(p.at(now.atNs - restNs).on[i])
		if p.flowing(i) || math.Abs(change.objectKg)+math.Abs(change.otherKg) > 0.001 || p.now < p.scales[i].silentUntil {
			return false
		}
	}
	for _, m := range p.moves[p.rest.moveN:] {
		if m.toNs+restNs > p.nowNs() {
			return false
		}
	}
	v := p.s.Volumes()
	return v.Quality == "good" && v.UndecidedL == 0
}

// compare holds the tally against the truth, and blames what happened since the
// rest before when they have moved apart.
func (p *play) compare() {
	v := p.s.Volumes()
	drained, added := p.trueKg()
	r := rest{known: true, next: p.rest.next, moveN: len(p.moves), stepN: len(p.s.Job.Steps)}
	j := &p.s.Job
	r.errorKg = [2]float64{
		v.DrainedKg/j.UsedFactor/(1+p.scales[p.caddyScale()].p.GainError) - drained,
		v.AddedKg/j.FreshFactor/(1+p.scales[p.supplyScale()].p.GainError) - added,
	}
	was := p.rest
	if !was.known || p.s.Job.StepsBefore > was.stepN {
		p.rest = r
		return
	}
	blamed := [2]bool{} // scales: both accounts of one suffer from one cause
	for i, name := range []string{"drained", "added"} {
		scale := p.caddyScale()
		if i == 1 {
			scale = p.supplyScale()
		}
		u2 := 0.0
		for _, step := range p.s.Job.Steps[was.stepN:] {
			if step.Sensor == p.drawn.setup.Scales[scale].Sensor && step.With == 0 && (step.As == fillcalc.AsObject || step.As == fillcalc.AsSwap) {
				u2 += step.U2 // what the fold admits to the end
			}
		}
		jumpKg := r.errorKg[i] - was.errorKg[i]
		if math.Abs(jumpKg) > p.bandKg(scale)+2*math.Sqrt(u2) || math.IsNaN(jumpKg) {
			p.blame(name, jumpKg, scale, was, !blamed[scale])
			blamed[scale] = true
		}
	}
	p.rest = r
}

func (p *play) blame(account string, jumpKg float64, scale int, since rest, count bool) {
	miscounted := false
	var what []string
	for _, m := range p.moves[since.moveN:] {
		if m.scale == scale {
			what = append(what, m.what)
			miscounted = miscounted || !m.held
		}
	}
	for _, step := range p.s.Job.Steps[since.stepN:] {
		if step.Sensor == p.drawn.setup.Scales[scale].Sensor && step.By == fillcalc.BySignal {
			miscounted = true
			what = append(what, "step decided by signal as "+string(step.As))
		}
	}
	kind, counter := "divided badly", &p.counts.DividedBadly
	if miscounted {
		kind, counter = "miscounted", &p.counts.Miscounted
	}
	if count {
		*counter++
	}
	p.note("%s: %s went %+.3f kg off (band %.3f): %s", kind, account, jumpKg, p.bandKg(scale), strings.Join(what, ", "))
}
