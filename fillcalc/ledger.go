package fillcalc

import (
	"math"
	"slices"
)

// Change is weight that came or went at once between two rests. Whether it belongs to
// an account is a label; the change itself is never altered.
type Change struct {
	ID     int // from 1 within a job
	Sensor string
	FromNs int64   // it happened after this
	AtNs   int64   // and before this
	FromKg float64 // what the scale showed before
	EndKg  float64 // and after
	Kg     float64
	U2     float64 // kg²
	Cause  Cause
	Slow   bool // slower than hands
	Flows  bool // it went the way of fluid, and no faster
	Lifted bool // as quick as a hand
	// ReturnedNs is when the scale last rested where it does again after something went.
	// 0: it did not, or something came.
	ReturnedNs int64
	// FellKg is what went from a supply as quickly as a hand takes it, just before something
	// came: if that was a container, so was this. FellU2 is its variance.
	FellKg, FellU2 float64
	// Trace is the signal around the change, for people: kg above FromKg, TraceS apart.
	Trace  [traceN]float32
	TraceS float32
	As     Label  // empty while undecided
	Said   Label  // what a person said; empty: nobody has
	By     string // who said it
	SaidNs int64  // when
	// SaidWith is the question that it was the answer to: all that were asked about together.
	SaidWith int
	// First and Last are the changes of a group: what came and went again. 0: it
	// stands alone.
	First, Last int
	// Light says that nobody was asked about it, because it is so light: it is in the account.
	Light bool
	// Loose says that a member of the group may yet prove to belong elsewhere.
	Loose bool
}

// Label says what a change was.
type Label string

const (
	AsFluid     Label = "fluid"     // it is in the account
	AsGone      Label = "gone"      // it came and went, or went and came back: the weighings decide
	AsThing     Label = "thing"     // it still lies there, or had lain there before: not in the account
	AsContainer Label = "container" // changed, emptied, refilled or brought: not in the account
	AsBottle    Label = "bottle"    // poured in and thrown away: in the account without the empty's weight
)

// weighed reports whether the weighings decide about a change.
func (l Label) weighed() bool { return l == AsFluid || l == AsGone }

// BySignal stands for who labelled a change of which the signal proves what it was.
const BySignal = "signal"

// Settled is a settled weighing of a scale, and the changes known until then.
type Settled struct {
	AtNs    int64
	Kg, U2  float64
	Changes int  // how many of the job's changes came before it
	RestN   int  // which of the scale's rests it is; 0: the scale did not rest, it is a live level
	Taken   bool // false: the account has not begun
}

// Mark is a weighing from which on a scale feeds an account.
type Mark struct {
	Settled
	Into Tally
}

// Ledger is what a scale has weighed in a job. Its accounts are the differences between
// its marks, less the changes that are in no account: see [Job.Changes].
type Ledger struct {
	Marks [8]Mark
	MarkN int
	End   Settled // when the job ended
	Top   Settled // the furthest rest in fluid's way; not taken: none yet
	// ClearNs is when a person last said that only the container and its fluid stand
	// there; ClearN is how many changes were known then.
	ClearNs int64
	ClearN  int
	Off     int // the change with which the container went; 0: it is there
	Drip    drip
}

// mark returns the newest mark, nil before the first one.
func (l *Ledger) mark() *Mark {
	if l.MarkN == 0 {
		return nil
	}
	return &l.Marks[l.MarkN-1]
}

// betters reports whether a rest is a better weighing of the same weight: the first rest
// after a mark that was set while the scale moved, or more of the same one.
func (m *Mark) betters(r *rest, nowNs int64) bool {
	const moreNs = 6e9 // a drip that no window shows moves it little in so long
	first := m.RestN == 0 && nowNs-m.AtNs < weighNs
	more := m.RestN == r.N && !r.Drips && r.U2 < m.U2 && nowNs-m.AtNs < moreNs
	return (first || more) && m.near(r.Kg, r.U2)
}

// near reports whether a weight may be the same as that of the weighing.
func (w *Settled) near(kg, u2 float64) bool {
	off := kg - w.Kg
	return float64(off*off) <= float64(sure*sure*(w.U2+u2))
}

// now returns the scale's present weight: that of its rest, or the live level.
func (s *Scale) now(changes int) Settled {
	if s.Rest.Now {
		return Settled{s.LastNs, s.Rest.Kg, s.Rest.U2, changes, s.Rest.N, true}
	}
	sigma, d := s.sigmaKg(), s.Setup.ResolutionKg
	n := Settled{s.LastNs, s.LevelKg, float64(1.5*sigma*sigma) + float64(d*d)/12 + float64(s.Setup.RepeatabilityKg*s.Setup.RepeatabilityKg), changes, 0, true}
	lateKg := float64(s.FlowKgS * lagUS)
	n.U2 += float64(lateKg * lateKg)
	// A change against fluid's way, or faster than it, waits until it is known.
	if s.Open && (s.Fast || float64(s.Way*(s.LevelKg-s.Was.at(s.Was.ToS))) < 0) {
		n.Kg = s.Was.at(s.Was.ToS)
		off := s.LevelKg - n.Kg
		n.U2 += float64(off*off) / 3
	}
	return n
}

// apart returns how much of the change with index i between two weighings is in no
// account, and its variance.
func (j *Job) apart(i, from, to int) (kg, u2 float64) {
	c := &j.Changes[i]
	grouped := c.Last > 0 && c.First > from && c.Last <= to
	switch {
	case c.As == AsGone && grouped:
		return 0, j.unlike(c)
	case c.As == AsGone && c.Last > 0: // the same thing was weighed when it came and when it went
		if o := j.pairOf(c); o != nil && o.U2 < c.U2 {
			return -o.Kg, o.U2
		}
	case c.As.weighed():
		return 0, 0
	case c.As == AsBottle:
		return -j.EmptyKg, float64(clingsKg*clingsKg) + c.U2 // what is left in it, and what else moved then, is not known
	case c.As == AsContainer && c.Last == 0:
		kg, u2 = c.Kg-c.FellKg, c.U2+c.FellU2
		if c.Said == "" && c.FellKg == 0 && j.bottle(c.Kg) {
			u2 += float64(j.EmptyKg*j.EmptyKg) / 3 // an empty one may have gone unseen
		}
		return kg, u2
	}
	return c.Kg, c.U2
}

// unlike is the variance from what came back being another one than what went: any share of the
// difference may not be fluid.
func (j *Job) unlike(c *Change) float64 {
	o := j.pairOf(c)
	if o == nil || o.ID > c.ID || c.Kg < 0 || j.bottle(-o.Kg) {
		return 0
	}
	return float64((c.Kg+o.Kg)*(c.Kg+o.Kg)) / 3
}

// pairOf returns the other change of a group of two, nil if there are more.
func (j *Job) pairOf(c *Change) (other *Change) {
	for i := range j.Changes {
		if o := &j.Changes[i]; o.Last == c.Last && o.ID != c.ID {
			if other != nil {
				return nil
			}
			other = o
		}
	}
	return other
}

// rise returns how much heavier a scale became from one weighing to another by what
// belongs to its accounts.
func (j *Job) rise(sensor string, from, to *Settled) (kg, u2 float64) {
	kg, u2 = to.Kg-from.Kg, 0
	for i := from.Changes; i < to.Changes; i++ {
		if j.Changes[i].Sensor != sensor {
			continue
		}
		k, v := j.apart(i, from.Changes, to.Changes)
		kg -= k
		u2 += v
	}
	return kg, u2
}

// lies reports whether a thing lies on a scale that came, has not gone, and weighs as much
// as what went.
func (j *Job) lies(sc *Scale, kg, u2 float64, cleared int) bool {
	return slices.ContainsFunc(j.Changes, func(c Change) bool {
		return c.Sensor == sc.Setup.Sensor && c.Kg > 0 && (c.ID > cleared || c.Said == AsThing) && (c.Last == 0 && c.As != AsContainer || c.Loose) && math.Abs(c.Kg+kg) <= sc.Setup.slackKg(c.U2+u2, c.Kg)
	})
}

// weigh feeds one weight to scale i.
func (s *State) weigh(i int, atNs int64, kg float64) {
	sc := &s.Scales[i]
	if !sc.take(atNs, kg) {
		return
	}
	way := s.Job.way(sc.Setup.Load)
	if s.Job.Ledgers[i].Off > 0 {
		way = 0 // no fluid comes
	}
	if sc.Way = way; sc.Setup.Load == BothLoad && s.overflowing() {
		sc.Way = 0
	}
	if sc.Open {
		f, ok := sc.watch(way)
		if ok && f.Cause == Knock {
			s.knock(sc.Setup.Sensor, sc.T0Ns, &f)
		} else if ok && counts(sc.Setup.Load, s.Job.Phase) && !(f.Flows && way < 0 && !s.Job.lies(sc, f.Kg, f.U2, s.Job.Ledgers[i].ClearN) && !(f.Lifted && s.Job.bottle(-f.Kg))) {
			s.change(i, f)
		}
	}
	sc.weigh()
	if !counts(sc.Setup.Load, s.Job.Phase) {
		sc.Idle.see(sc)
	}
	if counts(sc.Setup.Load, s.Job.Phase) {
		s.follow(i, way)
	}
}

// knock notes what a knock has left on each scale of the cart: how far its lines before and
// after differ, weighed with what knocks leave.
func (s *State) knock(sensor string, t0Ns int64, f *found) {
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if sc.N < firstN || !counts(sc.Setup.Load, s.Job.Phase) {
			continue
		}
		if sc.Open {
			now := float64(s.NowNs-sc.T0Ns) / 1e9
			s.change(i, found{U2: knockUKg * knockUKg, FromKg: sc.ShownKg, EndKg: sc.ShownKg, FromS: now, ToS: now, Cause: Knock})
			continue
		}
		other := float64(t0Ns-sc.T0Ns) / 1e9
		a, z := f.FromS+other, f.ToS+other
		before, after := sc.fit(a-backS, a), sc.fit(z, sc.back(0).S)
		if before.N < 4 || after.N < 4 {
			continue
		}
		sigma, d := sc.sigmaKg(), sc.Setup.ResolutionKg
		x := (before.slopeKgS(sigma) + after.slopeKgS(sigma)) / 2
		bend := float64((after.slopeKgS(sigma) - before.slopeKgS(sigma)) * (z - a) / 4)
		x = after.at(z) - before.at(a) - float64(x*(z-a))
		u2 := float64(before.u2(a, sigma)) + float64(after.u2(z, sigma)) + float64(d*d)/6 + float64(bend*bend)
		if float64(x*x) < u2 && u2 < float64(d*d) {
			continue // nothing to tell
		}
		if sensor != sc.Setup.Sensor && float64(s.Job.way(sc.Setup.Load)*x) > float64(3*math.Sqrt(knockUKg*knockUKg+u2)) {
			continue // a short pour: no knock on the other scale leaves so much
		}
		part := knockUKg * knockUKg / (float64(knockUKg*knockUKg) + u2)
		s.change(i, found{Kg: x * part, U2: u2 * part, FromKg: before.at(a), EndKg: after.at(z), FromS: a, ToS: z, Cause: Knock})
	}
}

// follow brings the ledger of a scale that counts up to date.
func (s *State) follow(i int, way float64) {
	sc, l := &s.Scales[i], &s.Job.Ledgers[i]
	// A weighing is as good as the rest in which it was taken, which may still last, or
	// follow.
	if m := l.mark(); m != nil && sc.Rest.Now && m.betters(&sc.Rest, s.NowNs) {
		m.Kg, m.U2, m.RestN = sc.Rest.Kg, sc.Rest.U2, sc.Rest.N
	}
	if sc.Setup.Load == BothLoad && way < 0 {
		l.Drip.see(sc, s.overflowing())
		s.leant(sc)
		return
	}
	if l.Off == 0 && !sc.Open {
		s.backward(i, way)
	}
	if sc.Rest.Now && s.NowNs > l.ClearNs {
		s.correct(i)
	}
}

// leant ends a push on the scale that carries both: it came slowly, and the scale shows
// again what it did before.
func (s *State) leant(sc *Scale) {
	j := &s.Job
	for i := range j.Changes {
		c := &j.Changes[i]
		if c.As != "" || c.Kg < 0 || !c.Slow || c.Sensor != sc.Setup.Sensor || !sc.Rest.Now || s.NowNs-c.AtNs > 300e9 || sc.Rest.Kg-c.FromKg > float64(0.1*c.Kg) {
			continue
		}
		j.Changes = slices.Clone(j.Changes)
		j.Changes[i].ReturnedNs = c.FromNs
		j.Changes[i].As = AsGone
	}
}

// backward compares a rest with the furthest level before. Fluid only comes into a caddy and
// only leaves a supply; what goes the other way from rest to rest was something else,
// however slowly it went.
func (s *State) backward(i int, way float64) {
	sc, l, j := &s.Scales[i], &s.Job.Ledgers[i], &s.Job
	now := sc.now(len(j.Changes))
	if !sc.Rest.Now {
		if sc.Setup.Load != SupplyLoad || sc.back(0).S-sc.From < guardS {
			return // who fills up a supply does not wait for a rest before
		}
		now.Kg = sc.ShownKg
	}
	if !l.Top.Taken {
		l.Top = now
		return
	}
	kg, u2 := now.Kg-l.Top.Kg, l.Top.U2+now.U2
	switch {
	case sc.Rest.Now && float64(way*kg) >= 0, float64(way*kg) > float64(2*sc.sigmaKg()):
		l.Top = now
		return
	case !sc.Rest.Now:
		return
	}
	least, times := leastKg, sure
	if j.Spec.BottleL > 0 && sc.Setup.Load != CaddyLoad { // an empty bottle that comes back weighs hardly more
		least, times = j.EmptyKg/2, sure-2
	}
	if -float64(way*kg) > max(least, float64(times*math.Sqrt(u2)))+sc.Setup.ResolutionKg {
		s.change(i, found{Kg: kg, U2: u2, FromKg: l.Top.Kg, EndKg: sc.Rest.Kg, FromS: float64(l.Top.AtNs-sc.T0Ns) / 1e9, ToS: sc.Rest.S, Cause: Backward, Slow: true})
		l.Top = now
	}
}

// change writes a change into the job.
func (s *State) change(i int, f found) {
	sc, j := &s.Scales[i], &s.Job
	if len(j.Changes) >= maxEntries {
		return
	}
	ns := func(t float64) int64 { return sc.T0Ns + int64(float64(t*1e9)) }
	c := Change{
		ID: len(j.Changes) + 1, Sensor: sc.Setup.Sensor, FromNs: ns(f.FromS), AtNs: ns(f.ToS),
		FromKg: f.FromKg, EndKg: f.EndKg, Kg: f.Kg, U2: f.U2, Cause: f.Cause, Slow: f.Slow, Flows: f.Flows, Lifted: f.Lifted,
	}
	if f.Kg < -leastKg && f.Cause != Away {
		c.ReturnedNs = sc.restedAt(f.EndKg, sc.Setup.slackKg(min(f.U2, sureU2), f.Kg))
	}
	if c.Kg > containerKg && j.way(sc.Setup.Load) < 0 && !c.Slow {
		since := f.FromS - 20
		for _, o := range j.Changes {
			if o.Sensor == c.Sensor {
				since = max(since, float64(o.AtNs-sc.T0Ns)/1e9)
			}
		}
		c.FellKg, c.FellU2 = sc.fell(&f, since)
	}
	c.Trace, c.TraceS = sc.trace(f.FromS, f.ToS, c.FromKg)
	j.Changes = append(slices.Clone(j.Changes), c)
	l := &j.Ledgers[i]
	l.Drip.LowOK = false
	l.Top.Kg, l.Top.U2 = l.Top.Kg+c.Kg, l.Top.U2+c.U2
	s.match(i)
}
