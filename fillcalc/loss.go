package fillcalc

import "math"

// Loss is the fold's memory of fluid that runs out below while it is poured in: the pan is
// open, or leaks. Two scales show it as a caddy that gains by a stream while the supply loses.
// One scale for both hides it while somebody pours, because it shows only the difference;
// when it becomes heavier by a stream just after, the fluid has come back.
//
// What ran out is fresh fluid that was added and is not in: it counts as [OverflowTally], so
// that it does not raise the target.
type Loss struct {
	PouredNs int64 // when fluid was last seen to be poured in
	SinceNs  int64 // since when a stream comes; 0: none does
	LastNs   int64 // when it was last seen
	RanNs    int64 // when it was last seen to be more than a drip; 0: never
	KgS      float64
	FromKg   float64 // what the scale showed before it
	KeptKg   float64 // what earlier streams brought back onto a scale for both
	NowKg    float64 // what this one has
	Lost     bool    // in this fill: what the caddy gains is not drained any more
}

const (
	risesS = 3.0 // a stream is a straight line for so long: no hand and no tool is
	// Fluid that is poured in comes out of an open pan within this (common practice, no source).
	comesOutNs = 15e9
	// A stream that is not seen for so long has ended.
	endedNs = 2e9
	// It is more than a drip once it has lasted and brought so much.
	lastsNs = 1e9
	runsKg  = 0.03
	// The alert stays for a while, so that somebody who pours in bursts reads it.
	lingerNs = 15e9
	streamKg = 0.005 // kg/s: slower than this nothing is poured
)

// runs returns the line of a stream that makes the scale heavier (way 1) or lighter (-1),
// faster than a closed pan drips; ok is false if there is none.
func (s *Scale) runs(way float64) (l ramp, ok bool) {
	sigma, k := s.sigmaKg(), s.slower()
	if way == 0 || s.N < 4 || s.Fast || s.Hole > 0 && s.Open {
		return l, false
	}
	now := s.back(0).S
	l = s.fit(now-float64(risesS*k), now)
	straight := l.RmsKg <= float64(1.8*sigma)+float64(s.Setup.ResolutionKg/4)+float64(0.04*math.Abs(l.KgS))
	return l, straight && l.ToS-l.FromS > float64(0.8*risesS*k) && float64(way*l.slopeKgS(sigma)) > dripKgS && float64(way*l.KgS) <= s.Setup.MaxFlowKgS+sigma
}

// flushing reports whether fluid is meant to run out below while it is poured in: the job has
// a limit for the difference of both streams, or somebody has said so in this phase.
func (j *Job) flushing() bool {
	e, ok := j.last(EnterFlush)
	return j.Spec.BalanceBandL > 0 || ok && e.AtNs >= j.PhaseNs
}

// seeLoss looks for it after a weight of scale i.
func (s *State) seeLoss(i int) {
	j, sc := &s.Job, &s.Scales[i]
	b := &j.Loss
	if j.Phase.place() < Filling.place() || !j.Phase.Open() || s.overflowing() || j.flushing() {
		b.SinceNs = 0
		return
	}
	load := sc.Setup.Load
	if load != CaddyLoad && sc.FlowKgS < -streamKg && !sc.Fast {
		b.PouredNs = s.NowNs
	}
	if load == SupplyLoad {
		return
	}
	poured := b.PouredNs > 0 && s.NowNs-b.PouredNs < comesOutNs || !s.suppliesWeighed() && j.Phase == Filling
	switch l, ok := sc.runs(1); {
	case ok && (poured || b.SinceNs > 0):
		if b.SinceNs == 0 {
			b.SinceNs, b.FromKg = s.NowNs, l.at(l.FromS)
			b.KeptKg, b.NowKg = b.KeptKg+b.NowKg, 0
		}
		b.LastNs, b.KgS = s.NowNs, l.KgS
	case s.NowNs-b.LastNs > endedNs:
		b.SinceNs = 0
	}
	s.seeRan(i)
}

// seeRan notes what a stream that comes has brought so far, once that is more than a drip.
func (s *State) seeRan(i int) {
	sc, b := &s.Scales[i], &s.Job.Loss
	if gainKg := sc.LevelKg - b.FromKg; b.SinceNs > 0 && s.NowNs-b.SinceNs >= lastsNs && gainKg >= runsKg {
		b.RanNs = s.NowNs
		if sc.Setup.Load == BothLoad {
			b.NowKg = gainKg
		} else if !b.Lost {
			s.lose(i)
		}
	}
}

// lose begins the account of what runs out below, with the weight before it did.
func (s *State) lose(i int) {
	j, l := &s.Job, &s.Job.Ledgers[i]
	if l.MarkN == 0 || !j.turns() {
		return
	}
	l.Marks[l.MarkN] = Mark{s.before(i, j.Loss.SinceNs, j.Loss.FromKg), OverflowTally}
	l.MarkN++
	l.Top = Settled{}
	j.Loss.Lost = true
}

// before returns the weighing of scale i before a stream that began at a weight.
func (s *State) before(i int, sinceNs int64, fromKg float64) Settled {
	j, sc := &s.Job, &s.Scales[i]
	line := sc.fit(sc.back(0).S-float64(risesS*sc.slower())-1, sc.back(0).S) // only for its variance
	w := Settled{AtNs: sinceNs, Kg: fromKg, U2: line.u2(line.FromS, sc.sigmaKg()), RestN: max(1, sc.Rest.N), Taken: true}
	const agoS = 6 // of a rest that ended as the stream began
	if r := sc.Rest; r.N > 0 && sc.back(0).S-r.S < agoS+float64(s.NowNs-sinceNs)/1e9 && float64(line.KgS*(w.Kg-r.Kg)) >= 0 {
		w.AtNs, w.Kg, w.U2 = sc.T0Ns+int64(float64(r.S*1e9)), r.Kg, r.U2
	}
	for w.Changes < len(j.Changes) && j.Changes[w.Changes].AtNs <= w.AtNs {
		w.Changes++
	}
	return w
}

// meant takes a person's word that fluid runs out below on purpose: it is drained, not lost.
func (s *State) meant() {
	j := &s.Job
	if !j.Loss.Lost {
		j.Loss = Loss{}
		return
	}
	j.Loss = Loss{}
	for i := range s.Scales[:s.ScaleN] {
		l := &j.Ledgers[i]
		if m := l.mark(); m != nil && m.Into == OverflowTally && !s.overflowing() {
			m.Into = DrainedTally
		}
	}
}

// RunsOut says whether fluid runs out below while it is poured in, how much has in this
// job, in litres at the reference temperature, and how fast it does in litres per minute.
func (s *State) RunsOut() (lostL, flowLMin float64, runs bool) {
	j := &s.Job
	b := &j.Loss
	if b.RanNs == 0 || !j.Phase.Open() {
		return 0, 0, false
	}
	perKg := j.FreshFactor / j.FreshKgM3 * 1000
	lostL = (s.shownKg(OverflowTally) + b.KeptKg + b.NowKg) * perKg
	if s.NowNs-b.LastNs <= endedNs {
		flowLMin = 60 * b.KgS * perKg
	}
	return lostL, flowLMin, s.NowNs-b.RanNs < lingerNs && !j.flushing()
}

// runsOut asks to stop pouring because of it.
func (s *State) runsOut() (a Ask, ok bool) {
	lostL, flowLMin, runs := s.RunsOut()
	return Ask{Text: Text{Key: "ask.runs_out", Figures: figures{"lost_l": lostL, "flow_l_min": flowLMin}}, Tone: ToneLost, Do: DoEnter, What: EnterFlush}, runs
}
