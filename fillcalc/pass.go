package fillcalc

import (
	"math"
	"slices"
)

// PassMark is where a further pass of a service begins: the transmission was drained and
// filled, the engine has mixed old and new fluid, and it is drained again.
type PassMark struct {
	AtNs   int64
	At     [2]Settled // the weighings of the scales
	DripKg [4]float64 // what the drips had brought into each account
}

// Pass is what one pass exchanged, in litres at the reference temperature. A figure that is
// not known is NaN.
type Pass struct {
	OutL   float64 // what came out: weighed, and entered as spilled or left in the pan
	AddedL float64
	// OldLeft is the share of the old fluid that is left in the transmission afterwards.
	OldLeft float64
}

// Passes lists the passes of the service; none before something was drained, or while the
// capacity of the transmission is not known.
//
// A pass takes its share of what is in, old and new alike: left is the product of 1 less
// drained over capacity (perfect mixing; common practice, no source). Where it was drained
// again although the engine had not mixed the fluids, that says nothing.
func (s *State) Passes() (list []Pass) {
	j := &s.Job
	if j.Spec.TotalL == 0 || !j.begun(DrainedTally) {
		return nil
	}
	left := 1.0
	for n := range len(j.PassMarks) + 1 {
		p := Pass{s.passOutL(n), s.passL(n, AddedTally), math.NaN()}
		left *= max(0, 1-max(0, p.OutL)/j.Spec.TotalL)
		if !j.Unmixed {
			p.OldLeft = left
		}
		list = append(list, p)
	}
	return list
}

// span returns between which times pass n lies.
func (j *Job) span(n int) (fromNs, toNs int64) {
	toNs = math.MaxInt64
	if n > 0 {
		fromNs = j.PassMarks[n-1].AtNs
	}
	if n < len(j.PassMarks) {
		toNs = j.PassMarks[n].AtNs
	}
	return fromNs, toNs
}

// pass returns in which pass something was done.
func (j *Job) pass(ns int64) (n int) {
	for n < len(j.PassMarks) && j.PassMarks[n].AtNs <= ns {
		n++
	}
	return n
}

// beginsPass reports whether a pass after the first began at a time.
func (j *Job) beginsPass(ns int64) bool {
	return slices.ContainsFunc(j.PassMarks, func(m PassMark) bool { return m.AtNs == ns })
}

// passL is what pass n brought into an account.
func (s *State) passL(n int, t Tally) float64 {
	if t == AddedTally && !s.suppliesWeighed() {
		fromNs, toNs := s.Job.span(n)
		litres, _ := s.bottles(fromNs, toNs)
		return litres
	}
	if !s.live(t) {
		return math.NaN()
	}
	return s.changeL(s.passKg(n, t), t)
}

func (s *State) passOutL(n int) float64 {
	fromNs, toNs := s.Job.span(n)
	litres := s.passL(n, DrainedTally)
	for _, e := range s.Job.Entries {
		if (e.What == EnterSpilled || e.What == EnterRetained) && e.AtNs >= fromNs && e.AtNs < toNs {
			litres += e.L
		}
	}
	return litres
}

// passKg is an account between the weighings at the beginning and the end of pass n, in kg as
// the scale shows it.
func (s *State) passKg(n int, t Tally) (kg float64) {
	j := &s.Job
	for i := range s.Scales[:s.ScaleN] {
		l := &j.Ledgers[i]
		for k := range l.MarkN {
			if l.Marks[k].Into != t {
				continue
			}
			from, to := s.segment(i, k)
			if n > 0 && j.PassMarks[n-1].At[i].AtNs > from.AtNs {
				from = j.PassMarks[n-1].At[i]
			}
			if n < len(j.PassMarks) && j.PassMarks[n].At[i].AtNs < to.AtNs {
				to = j.PassMarks[n].At[i]
			}
			if from.AtNs < to.AtNs {
				rise, _ := j.rise(s.Scales[i].Setup.Sensor, &from, &to)
				kg += float64(t.sign() * rise)
			}
		}
	}
	switch {
	case n < len(j.PassMarks):
		kg += j.PassMarks[n].DripKg[t]
	default:
		kg += s.drippedKg(t)
	}
	if n > 0 {
		kg -= j.PassMarks[n-1].DripKg[t]
	}
	return kg
}

// drippedKg is what the drips have brought into an account.
func (s *State) drippedKg(t Tally) (kg float64) {
	for i := range s.Scales[:s.ScaleN] {
		kg += s.Job.Ledgers[i].Drip.into(t)
	}
	return kg
}

// beginPass begins another pass when the transmission is drained again after the engine ran.
func (s *State) beginPass(in *Input) {
	j := &s.Job
	left := *j
	left.Phases = append(j.Phases[:len(j.Phases):len(j.Phases)], PhaseAt{Phase: Filling, AtNs: s.NowNs, Engine: in.Engine})
	fromNs, _ := j.span(len(j.PassMarks))
	drained := false
	for _, p := range j.Phases {
		drained = drained || p.Phase == Draining && p.AtNs >= fromNs
	}
	switch {
	case !drained:
		return
	case !left.engineRan():
		j.Unmixed = j.Unmixed || s.passL(len(j.PassMarks), AddedTally) > nearLineL
		return
	}
	m := PassMark{AtNs: s.NowNs}
	for i := range s.Scales[:s.ScaleN] {
		m.At[i] = s.Scales[i].now(len(j.Changes))
	}
	for t := range m.DripKg {
		m.DripKg[t] = s.drippedKg(Tally(t))
	}
	j.PassMarks = append(j.PassMarks[:len(j.PassMarks):len(j.PassMarks)], m)
}

// beforeKg is the mass that the passes before the present one drained, and that they left in
// of what they added.
func (s *State) beforeKg() (drainedKg, inKg float64) {
	j := &s.Job
	for n := range j.PassMarks {
		drainedKg += float64(s.passKg(n, DrainedTally) * j.UsedFactor)
		inKg += float64((s.passL(n, AddedTally) - s.passL(n, OverflowTally)) * (j.FreshKgM3 / 1000))
	}
	return drainedKg, inKg
}

// MaxPasses is how many passes a service may have: nobody drains a transmission more often.
const MaxPasses = 8

// passLeft asks to drain again while a pass of the service is still to come.
func (s *State) passLeft() (a Ask, ok bool) {
	j := &s.Job
	done := len(j.PassMarks) + 1
	f := figures{"pass": float64(done), "passes": float64(j.Spec.Passes)}
	return Ask{Text: Text{Key: "ask.next_pass", Figures: f}, Tone: ToneDo, Do: DoPhase, Phase: Draining}, j.Phase.runs() && done < j.Spec.Passes
}

// drainAgain says how much of the old fluid is left, and offers another pass.
func (s *State) drainAgain() (a Ask, ok bool) {
	list := s.Passes()
	if len(list) == 0 || math.IsNaN(list[len(list)-1].OldLeft) {
		return a, false
	}
	f := figures{"old_left_pct": 100 * list[len(list)-1].OldLeft}
	return Ask{Text: Text{Key: "ask.drain_again", Figures: f}, Tone: ToneDo, Do: DoPhase, Phase: Draining}, true
}
