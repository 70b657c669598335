package fillcalc

import "math"

// Cause says why a change is not taken for a stream.
type Cause string

const (
	Sudden   Cause = "sudden"   // begun and over sooner than fluid runs
	Away     Cause = "away"     // it happened while nobody measured
	Backward Cause = "backward" // against the direction in which fluid moves this scale
	Knock    Cause = "knock"    // the scale shows another weight after a bump
)

const (
	dripKgS = 0.003 // a closed pan drips no faster (common practice, no source)
	leastKg = 0.05  // of a lighter thing nobody is asked
	liftS   = 1.25  // a hand takes something away in less, behind an indicator's filter
	// So many times faster than configured fluid may run, if it does so for longer than hands take.
	gushShare = 4
	// What a knock leaves: the cart stands elsewhere, and its scales show another weight
	// (standard uncertainty; common practice, no source).
	knockUKg = 0.02
)

// found is a change that has ended.
type found struct {
	Kg, U2        float64
	FromKg, EndKg float64 // what the scale showed before and after
	FromS, ToS    float64
	Cause         Cause
	Slow          bool // hands are quicker
	Flows         bool // it went the way of fluid, and no faster
	Lifted        bool // as quick as a hand takes something away
	// The streams before and after, and the part of U2 that what it shows after has.
	BeforeKgS, AfterKgS, AfterU2 float64
}

// watch follows a change under way until a straight line follows it. wayKg is 1 where
// fluid makes the scale heavier and -1 where it makes it lighter. ok is false while the
// change goes on, and when streams explain it.
func (s *Scale) watch(way float64) (f found, ok bool) {
	b, sigma, k := s.back(0), s.sigmaKg(), s.slower()
	now := s.fit(max(min(b.S-float64(0.6*k), s.back(min(2, s.N-1)).S), s.From), b.S)
	beyond := math.Abs(b.Kg-s.Was.at(b.S)) > float64(s.Setup.MaxFlowKgS*(b.S-s.Was.ToS))+float64(sure*sigma)+float64(2*s.Setup.ResolutionKg)
	switch fast := math.Abs(now.KgS) > s.Setup.MaxFlowKgS+float64(sure*sigma); {
	case fast && beyond && !s.Fast && s.FastS == 0:
		s.Fast, s.FastS = true, b.S
	case fast && s.Fast && b.S-s.FastS > float64(suddenS*k) && s.Hole == 0 && float64(way*now.KgS) > 0:
		s.Fast = false // no hand does that for so long
	}
	r, ended := s.settled(b, sigma, k)
	if !ended {
		if b.S-s.OpenS > float64(patienceS*k) && r.RmsKg > sigma && math.Abs(r.KgS) < s.Setup.MaxFlowKgS {
			s.NoiseKg *= 1 + learnPart // it sways, and no longer moves on
		}
		return f, false
	}
	s.Open, s.Fast = false, false
	s.From = r.FromS
	if s.Was.N == 0 {
		return f, false
	}
	return s.divide(&r, sigma, way)
}

// settled returns the line that follows a change, if it is straight for long enough.
func (s *Scale) settled(b bin, sigma, k float64) (r ramp, ok bool) {
	lasts := b.S - s.OpenS
	since := max(s.OpenS+0.01, s.From)
	r = s.fit(max(b.S-float64(afterS*k), since), b.S)
	bent := func() bool {
		limit := float64(1.8*sigma) + float64(s.Setup.ResolutionKg/4)
		if lasts < float64(patienceS*k) {
			limit = max(sigma, s.Setup.ResolutionKg/3) // a filter's tail may still come
		}
		return r.RmsKg > limit+float64(0.04*math.Abs(r.KgS))
	}
	switch {
	case r.N < 4 || r.ToS-r.FromS < float64(0.6*afterS*k):
		return r, false
	case math.Abs(r.KgS) > s.Setup.MaxFlowKgS+sigma && s.Hole == 0 && !(lasts > float64(suddenS*k) && !s.Fast):
		return r, false
	case bent():
		return r, false
	case float64(s.Way*r.slopeKgS(sigma)) < -dripKgS:
		return r, false // no fluid runs that way
	}
	if r.slopeKgS(sigma) != 0 { // a filter's tail bends; a stream does not
		r = s.fit(max(b.S-float64(suddenS*k), since), b.S)
		if r.ToS-r.FromS < float64(0.85*suddenS*k) || bent() {
			return r, false
		}
	}
	return r, true
}

// divide tells a change between two lines from the streams before and after it.
func (s *Scale) divide(r *ramp, sigma, way float64) (f found, ok bool) {
	if rms := max(r.RmsKg, s.Was.RmsKg); rms > sigma {
		sigma = 2 * rms // what a filter has smoothed has few independent readings
	}
	a, z, d := s.Was.ToS, r.FromS, s.Setup.ResolutionKg
	clip := func(kgS float64) float64 {
		if float64(s.Way*kgS) < 0 {
			return 0 // no fluid runs that way
		}
		return max(-gushShare*s.Setup.MaxFlowKgS, min(gushShare*s.Setup.MaxFlowKgS, kgS))
	}
	before, after := clip(s.Was.slopeKgS(sigma)), clip(r.slopeKgS(sigma))
	total := r.at(z) - s.Was.at(a)
	low, high := float64(min(before, after)*(z-a)), float64(max(before, after)*(z-a))
	switch hidden := float64(s.Setup.MaxFlowKgS * s.Hole); { // in a hole fluid may have run, or stopped
	case s.Hole == 0:
	case way > 0:
		low, high = min(low, 0), max(high, hidden)
	default:
		low, high = min(low, -hidden), max(high, 0)
	}
	bend := float64((after - before) * (z - a) / 4)
	afterU2 := r.u2(z, sigma) + float64(d*d)/6
	u2 := s.Was.u2(a, sigma) + afterU2
	slack := float64(sure*math.Sqrt(u2+float64(sigma*sigma))) + d + float64(0.25*max(math.Abs(before), math.Abs(after)))
	f = found{Kg: total - float64((before+after)/2*(z-a)), U2: u2 + float64(bend*bend),
		FromKg: s.Was.at(a), EndKg: r.at(z), FromS: a, ToS: z, Cause: Sudden,
		BeforeKgS: before, AfterKgS: after, AfterU2: afterU2}
	rested, explained := before == 0 && after == 0, total >= low-slack && total <= high+slack
	switch {
	case s.Hole > 0:
		f.Kg = total - max(min(0, total), min(max(0, total), total-f.Kg)) // a stream explains no more than there is
		return f, s.hidden(&f, math.Abs(total) > slack, rested) || !explained
	case s.Way != 0 && s.bumped(&f, sigma):
		f.Cause = Knock
		return f, true
	case explained:
		if rested {
			s.NoiseKg *= 1.25 // it came back by itself: it sways
		}
		return f, false
	case s.went(a, z, f.Kg, math.Inf(1)) < math.Abs(f.Kg)/2:
		return f, false // it never moved that way: a stream paused
	}
	return f, s.thing(&f, way, slack)
}

// hidden takes note of a change that nobody saw. Between two rests nobody knows what came,
// unless the scale is always silent while it moves.
func (s *Scale) hidden(f *found, moved, rested bool) bool {
	f.Cause = Away
	if moved {
		s.Jumps++
	}
	fluidKg := min(float64(s.Setup.MaxFlowKgS*s.Hole), 4*math.Abs(f.Kg)) // whatever it was, fluid may have run besides
	f.U2 += float64(fluidKg*fluidKg) / 12
	unseen := s.Hole > ScaleSilentNs/1e9 && s.Moves && rested && moved
	if unseen {
		f.Kg = f.EndKg - f.FromKg
	}
	return unseen && math.Abs(f.Kg) > 2*leastKg
}

// thing tells a thing from a stream by how a change went; true for a thing.
func (s *Scale) thing(f *found, way, slackKg float64) bool {
	took := s.took(f.FromS, f.ToS, f.BeforeKgS, f.Kg)
	quick := s.went(f.FromS, f.ToS, f.Kg, 1) // within a second
	fluid := float64(way*f.Kg) > 0
	f.Slow = took > suddenS+s.step() && quick < math.Abs(f.Kg)/2
	f.Flows = fluid && quick < s.Setup.MaxFlowKgS+slackKg
	f.Lifted = took < liftS || quick > float64(0.75*math.Abs(f.Kg))
	if !fluid && f.Slow {
		f.Cause = Backward
		if way < 0 {
			s.turned(f, way)
		}
	}
	if fluid && f.Slow && math.Abs(f.Kg) < float64(gushShare*s.Setup.MaxFlowKgS*took) {
		s.FastKgS = max(s.FastKgS, quick)
		return false // a gush
	}
	if f.Cause != Backward && way < 0 && !f.Flows {
		s.begins(f, way)
	}
	if long := f.ToS - f.FromS; long > suddenS+float64(3*s.step()) && quick > math.Abs(f.Kg)/2 {
		fluidKg := min(float64(s.Setup.MaxFlowKgS*(long-1)), math.Abs(f.Kg)) // poured just before or after
		f.U2 += float64(fluidKg*fluidKg) / 12
	}
	return true
}

// begins leaves to the stream what ran before a hand came: what moved as quickly as a hand
// begins where the signal last went no faster than fluid.
func (s *Scale) begins(f *found, way float64) {
	steepest, most := 0, 0.0
	for i := range min(s.N, ringN) - 1 {
		to, from := s.back(i), s.back(i+1)
		if from.S < f.FromS {
			break
		}
		if kg := float64((to.Kg - from.Kg) * sign(f.Kg)); to.S <= f.ToS && kg > most {
			steepest, most = i+1, kg
		}
	}
	sigma := s.sigmaKg()
	for i := steepest; i < min(s.N, ringN)-1; i++ {
		next, was := s.back(i), s.back(i+1) // of the next bin the hand may have had a part
		if was.S < f.FromS {
			return
		}
		if float64((next.Kg-was.Kg)*sign(f.Kg)) > float64(s.Setup.MaxFlowKgS*(next.S-was.S))+float64(2*sigma) {
			continue // still the hand
		}
		perBin, bend := s.Setup.MaxFlowKgS*s.step(), f.BeforeKgS-f.AfterKgS
		u2 := f.AfterU2 + float64(sigma*sigma) + float64(perBin*perBin)/3 + float64(bend*bend)/12 // for the second that a hand takes
		least := float64(3*sigma) + float64(s.Setup.ResolutionKg/2)
		if math.Abs(was.Kg-s.Was.at(was.S)) < least && u2 > f.U2 || float64(way*(was.Kg-s.Was.at(f.FromS))) < -least {
			return // the line reaches so far, or it was no fluid
		}
		f.FromS, f.FromKg, f.Kg, f.U2 = was.S, was.Kg, f.EndKg-was.Kg-float64(f.AfterKgS*(f.ToS-was.S)), u2
		return
	}
}

// turned leaves to the stream what ran before the signal turned against fluid's way.
func (s *Scale) turned(f *found, way float64) {
	sinceS := f.FromS
	for i := range min(s.N, ringN) {
		b := s.back(i)
		if b.S < sinceS {
			break
		}
		if b.S <= f.ToS && float64(way*(b.Kg-f.FromKg)) > 0 {
			f.FromS, f.FromKg = b.S, b.Kg
		}
	}
	sigma := s.sigmaKg()
	f.Kg = f.EndKg - f.FromKg
	f.U2 += float64(sigma * sigma)
}

func sign(x float64) float64 { return math.Copysign(1, x) }

// bumped reports whether something swung and was soon where it had been: somebody knocked
// against the cart.
func (s *Scale) bumped(f *found, sigma float64) bool {
	up, down := s.swing(f.FromS, f.ToS, 1)
	least := max(math.Abs(f.Kg), float64(sure*sigma)+s.Setup.ResolutionKg)
	return s.Hole == 0 && f.ToS-s.OpenS <= 2 && math.Abs(f.Kg) <= 2*leastKg && min(up, down) >= least && max(up, down) >= 3*math.Abs(f.Kg)
}

// swing returns how far the signal rose and fell between two times, at most, and within
// some seconds.
func (s *Scale) swing(a, z, seconds float64) (up, down float64) {
	for i := range min(s.N, ringN) {
		to := s.back(i)
		if to.S > z+binS {
			continue
		}
		if to.S < a {
			break
		}
		for k := i + 1; k < min(s.N, ringN); k++ {
			from := s.back(k)
			if from.S < a || to.S-from.S > seconds {
				break
			}
			up, down = max(up, to.Kg-from.Kg), max(down, from.Kg-to.Kg)
		}
	}
	return up, down
}

// went returns how far it went the way of kg.
func (s *Scale) went(a, z, kg, seconds float64) float64 {
	up, down := s.swing(a, z, seconds)
	if kg < 0 {
		return down
	}
	return up
}

// took returns how long the middle of a change took: from a tenth to nine tenths of it.
func (s *Scale) took(a, z, flowKgS, kg float64) float64 {
	first, last := a, z
	for i := range min(s.N, ringN) {
		b := s.back(i)
		if b.S < a {
			break
		}
		part := (b.Kg - s.Was.at(a) - float64(flowKgS*(b.S-a))) / kg
		if b.S <= z && part > 0.9 {
			last = b.S
		}
		if part > 0.1 {
			first = b.S
		}
	}
	return max(0, last-first)
}

const traceN = 16 // points of a change's picture

// trace returns the signal from just before a change to just after it, relative to
// fromKg, and how many seconds its points are apart.
func (s *Scale) trace(fromS, toS, fromKg float64) (kg [traceN]float32, stepS float32) {
	const marginS = 1.5
	begin := fromS - marginS
	step := (toS + marginS - begin) / traceN
	at := 0
	for i := min(s.N, ringN) - 1; i >= 0; i-- {
		b := s.back(i)
		if b.S < begin {
			continue
		}
		for k := int((b.S - begin) / step); at <= k && at < traceN; at++ {
			kg[at] = float32(b.Kg - fromKg)
		}
	}
	for last := at; at < traceN && last > 0; at++ {
		kg[at] = kg[last-1]
	}
	return kg, float32(step)
}
