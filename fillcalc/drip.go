package fillcalc

import "math"

// drip follows what a closed pan lets fall onto the one scale that is poured from. Between
// pours it shows; while something else moves it goes on as fast as before and after. Where
// the level is checked at an opening, what makes the scale heavier between two pours has
// run over.
type drip struct {
	Begun       bool
	Kg, U2      float64 // dripped up to the last stretch, and its variance
	KgS, RateU2 float64 // the rate and its variance
	LastS       float64 // time of the last bin
	HiddenS     float64 // seconds since the last stretch in which it did not show
	Still       stretch // in which nothing else moves the scale
	Over        float64 // kg that ran out of the check opening
	OverU2      float64
	LowKg       float64 // the lowest level since the last pour
	LowOK       bool
	Rising      bool // more ran over since the lowest level
}

// stretch is the sums of a regression of weight over time.
type stretch struct{ FromS, ToS, N, T, TT, Kg, TKg, FromKg float64 }

// A pan drips so fast after it was closed, and is known so well before it was seen (common
// practice, no source).
const dripFirstKgS, dripFirstUKgS, dripMostKgS = 0.00005, 0.0001, 0.001

// How far an indicator's filter blurs the lowest level, where a pour of 50 g/s ends and as
// much runs over (common practice, no source).
const turnUKg = 0.05 * lagS

// see takes the newest bin of a scale that is poured from.
func (d *drip) see(sc *Scale, overflows bool) {
	b := sc.back(0)
	if !d.Begun {
		d.Begun, d.LastS, d.KgS, d.RateU2 = true, b.S, dripFirstKgS, float64(dripFirstUKgS*dripFirstUKgS)
	}
	if overflows {
		d.learn(sc)
		d.runOver(sc)
		d.LastS, d.HiddenS = b.S, 0
		return
	}
	if sc.Open || b.S-sc.From <= 1 || sc.FlowKgS < -dripKgS || sc.FlowKgS > 2*dripKgS {
		d.learn(sc)
		d.HiddenS += b.S - d.LastS
		d.LastS = b.S
		return
	}
	st := &d.Still
	if st.N == 0 {
		*st = stretch{FromS: b.S, FromKg: b.Kg}
		d.HiddenS += b.S - d.LastS
	}
	t, kg := b.S-st.FromS, b.Kg-st.FromKg
	st.N++
	st.T, st.TT = st.T+t, st.TT+float64(t*t)
	st.Kg, st.TKg = st.Kg+kg, st.TKg+float64(t*kg)
	st.ToS, d.LastS = b.S, b.S
}

// learn ends a stretch. The rate that it showed is weighed with what was known; what
// dripped hidden before it did so at the mean of the rates before and after.
func (d *drip) learn(sc *Scale) {
	st := d.Still
	if st.N == 0 {
		return
	}
	d.Still = stretch{}
	wasKgS, wasU2 := d.KgS, d.RateU2
	spread := st.TT - float64(st.T*st.T)/st.N
	if st.N >= 8 && spread > 0 {
		seen := (st.TKg - float64(st.T*st.Kg)/st.N) / spread
		sigma := sc.sigmaKg()
		if seen > dripMostKgS {
			seen = d.KgS // somebody leans on it
		}
		part := d.RateU2 / (d.RateU2 + float64(4*sigma*sigma)/spread)
		d.KgS = max(0, min(dripMostKgS, d.KgS+float64((seen-d.KgS)*part)))
		d.RateU2 = float64(d.RateU2*(1-part)) + float64(0.01*d.KgS*d.KgS) // it becomes slower
	}
	d.add(st.ToS-st.FromS, d.KgS, d.RateU2)
	d.add(d.HiddenS, (wasKgS+d.KgS)/2, max(wasU2, d.RateU2)/2)
	d.HiddenS = 0
}

func (d *drip) add(seconds, kgS, u2 float64) {
	d.Kg += float64(kgS * seconds)
	d.U2 += float64(u2 * seconds * seconds)
}

// unbooked is the time that no stretch has ended yet.
func (d *drip) unbooked() float64 { return d.HiddenS + d.Still.ToS - d.Still.FromS }

// uKg is the standard uncertainty of what has dripped.
func (d *drip) uKg() float64 {
	s := d.unbooked()
	return math.Sqrt(d.U2 + float64(d.RateU2*s*s))
}

// runOver counts what makes the scale heavier after a pour.
func (d *drip) runOver(sc *Scale) {
	sigma := sc.sigmaKg()
	if kg := sc.back(0).Kg; !sc.Fast && (!d.LowOK || kg < d.LowKg) {
		d.LowKg, d.LowOK, d.Rising = kg, true, false
	}
	if rise := min(sc.Rest.Kg, sc.LevelKg) - d.LowKg; d.LowOK && sc.Rest.Now && sc.FlowKgS == 0 && rise > float64(3*sigma)+sc.Setup.ResolutionKg {
		d.Over += rise
		if !d.Rising {
			d.OverU2 += sc.Rest.U2 + float64(sigma*sigma) + float64(turnUKg*turnUKg)
		}
		d.Rising = true
		d.LowKg += rise
	}
}

// into returns what of that belongs to an account: what drips or runs over onto the
// scale was poured as well.
func (d *drip) into(t Tally) float64 {
	dripped := d.Kg + float64(d.KgS*d.unbooked())
	switch t {
	case DrainedTally:
		return dripped
	case OverflowTally:
		return d.Over
	}
	return dripped + d.Over
}
