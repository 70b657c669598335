package fillcalc

import "math"

// weigh looks for a rest that lasts until now, and takes the window of the past that
// gives its weight best. Wind and vibration are correlated from bin to bin, so a
// window is cut into parts, and the parts' own scatter says how good their mean is.
func (s *Scale) weigh() {
	if s.Open || s.N < 4 {
		s.Rest.Now = false
		return
	}
	if s.Rest.Now && s.N%2 == 1 {
		return // often enough
	}
	best := rest{U2: math.Inf(1)}
	for t := 2.0; t <= 28; t = float64(t * 1.9) {
		if s.back(0).S-t < s.From-float64(s.step()/2) {
			break
		}
		if kg, u2, drips, ok := s.stands(t); ok && (!drips || u2 < best.U2) {
			best.Kg, best.U2, best.Drips, best.Now = kg, u2, drips, true
		}
	}
	if !best.Now {
		s.Rest.Now = false
		return
	}
	best.N, best.S = s.Rest.N, s.back(0).S
	if !s.Rest.Now {
		copy(s.Rests[1:], s.Rests[:])
		s.Rests[0] = s.Rest
		best.N++
	}
	s.Rest = best
}

// restedAt returns when the scale last rested near a weight, within the last minutes; 0 if
// it did not.
func (s *Scale) restedAt(kg, slackKg float64) (ns int64) {
	const agoS = 300
	for _, r := range s.Rests {
		if r.N > 0 && s.back(0).S-r.S < agoS && math.Abs(r.Kg-kg) <= slackKg {
			return s.T0Ns + int64(float64(r.S*1e9))
		}
	}
	return 0
}

// fell returns by how much the scale became lighter from a time until before a change, as quickly
// as a hand takes something away, and the variance of its weight before. Behind a slow filter a
// short pour looks the same: then it is any share of it.
func (s *Scale) fell(f *found, sinceS float64) (kg, u2 float64) {
	for i := -1; i < len(s.Rests); i++ {
		was := &s.Rest
		if i >= 0 {
			was = &s.Rests[i]
		}
		kg = was.Kg - f.FromKg
		if was.N == 0 || was.S < sinceS || kg < float64(3*math.Sqrt(was.U2+f.U2)) {
			continue
		}
		between, lastS := 0, 0.0 // and when it was last up
		for k := range min(s.N, ringN) {
			b := s.back(k)
			part := (was.Kg - b.Kg) / kg
			if b.S > was.S && b.S < f.FromS && part > 0.3 && part < 0.7 {
				between++
			}
			if b.S < f.FromS && part <= 0.3 {
				lastS = max(lastS, b.S)
			}
		}
		l := s.fit(lastS-backS, lastS-guardS)
		switch took := float64(between) * s.step(); {
		case took < liftS/2 && l.N >= 3:
			return l.at(lastS) - f.FromKg, l.u2(lastS, s.sigmaKg()) // fluid may have run until then
		case took < suddenS/2:
			return kg / 2, float64(kg*kg) / 12
		}
		return 0, 0
	}
	return 0, 0
}

// stands returns the weight of the last seconds if they are a rest, its variance, and
// whether it drips: then it is the weight at the end.
func (s *Scale) stands(seconds float64) (kg, u2 float64, drips, ok bool) {
	const parts = 8
	var sum, count [parts]float64
	newest, n, perS := s.back(0), 0, parts/seconds
	at := (s.N - 1) % ringN
	for range min(s.N, ringN) {
		b := &s.Ring[at]
		if at--; at < 0 {
			at = ringN - 1
		}
		age := newest.S - b.S
		if age >= seconds {
			break
		}
		p := min(parts-1, int(age*perS))
		sum[p] += b.Kg - newest.Kg
		count[p]++
		n++
	}
	var c, x1, y1, xx, xy, yy, next float64
	was := math.NaN()
	for p := range parts {
		if count[p] > 0 {
			x, y := -float64(p)/(parts-1), sum[p]/count[p]
			c, x1, y1 = c+1, x1+x, y1+y
			xx, xy, yy = xx+float64(x*x), xy+float64(x*y), yy+float64(y*y)
			if c > 1 {
				next += float64((y - was) * (y - was))
			}
			was = y
		}
	}
	if n < 5 || c < 5 || n < 6 && seconds < 6 {
		return 0, 0, false, false
	}
	spread := xx - float64(x1*x1)/c
	moved := (xy - float64(x1*y1)/c) / spread // over the whole window
	v := max(0, yy-float64(y1*y1)/c-float64(moved*moved*spread)) / (c - 2)
	// In gusts that outlast a part, neighbours differ by less than parts that lie apart
	// (von Neumann's ratio; variance of a mean of correlated values, to the first lag).
	v += float64(2 * max(0, v-next/float64(2*(c-1))))
	v = float64(v * max(1, 8/seconds)) // parts of a short window are not independent
	d2 := float64(s.Setup.ResolutionKg*s.Setup.ResolutionKg) / 12
	movedU := math.Sqrt((v + float64(d2/2)) / spread)
	sigma := s.sigmaKg()
	kg = newest.Kg + y1/c
	u2 = v/c + float64(sigma*sigma)/max(1, seconds) + d2 + float64(s.Setup.RepeatabilityKg*s.Setup.RepeatabilityKg)
	switch {
	case math.Abs(moved) <= 2*movedU:
	case math.Abs(moved) <= float64(2.5*movedU)+float64(dripKgS*seconds):
		drips = true
		kg -= float64(moved * x1 / c)
		u2 += float64(v / spread * (x1 / c) * (x1 / c))
		if math.Abs(moved) > float64(4*movedU) {
			u2 += float64(moved*moved) / 100 // not straight
		}
	default:
		return 0, 0, false, false
	}
	return kg, u2, drips, true
}

// idle is how a scale drifts while it stands untouched before it counts: its weight at the
// beginning and at the end of the last stretch without a change.
type idle struct {
	RestN             int
	FromS, FromKg, U2 float64
	ToS, ToKg, ToU2   float64
}

// see takes a rest.
func (d *idle) see(sc *Scale) {
	r := &sc.Rest
	if !r.Now {
		return
	}
	if d.RestN != r.N {
		*d = idle{RestN: r.N, FromS: r.S, FromKg: r.Kg, U2: r.U2}
	}
	d.ToS, d.ToKg, d.ToU2 = r.S, r.Kg, r.U2
}

// kgS is the drift, or 0 if it may be chance.
func (d *idle) kgS() float64 {
	if off := d.ToKg - d.FromKg; d.ToS > d.FromS && float64(off*off) > float64(4*(d.U2+d.ToU2)) {
		return off / (d.ToS - d.FromS)
	}
	return 0
}
