package fillcalc

import "math"

// ramp is a straight piece of the signal: the least-squares line through its bins.
type ramp struct {
	FromS, ToS float64
	MidS, Kg   float64 // the mean
	KgS        float64 // its slope
	RmsKg      float64 // of the bins' distances from it
	N          int
}

// at returns the line's weight at a time.
func (l *ramp) at(s float64) float64 { return l.Kg + float64(l.KgS*(s-l.MidS)) }

// u2 returns the variance of that weight if a bin has the standard deviation sigmaKg
// (textbook: variance of a regression line).
func (l *ramp) u2(s, sigmaKg float64) float64 {
	if l.N < 2 {
		return float64(sigmaKg * sigmaKg)
	}
	x := (s - l.MidS) / max(l.ToS-l.FromS, binS)
	return float64(sigmaKg*sigmaKg) / float64(l.N) * (1 + float64(12*x*x))
}

// slope returns the line's slope, or 0 if it may be chance.
func (l *ramp) slopeKgS(sigmaKg float64) float64 {
	spanS := max(l.ToS-l.FromS, binS)
	if math.Abs(l.KgS)*spanS < float64(3*math.Sqrt(12/float64(max(l.N, 1)))*sigmaKg) {
		return 0
	}
	return l.KgS
}

// fit returns the line through the bins from one time to another.
func (s *Scale) fit(fromS, toS float64) (l ramp) {
	var n, t, kg, tt, tkg, kgkg float64
	zero := 0.0
	for i := range min(s.N, ringN) {
		b := s.back(i)
		if b.S > toS {
			continue
		}
		if b.S < fromS {
			break
		}
		if l.N == 0 {
			l.ToS, zero = b.S, b.Kg
		}
		l.FromS = b.S
		l.N++
		x, y := b.S-toS, b.Kg-zero
		n, t, kg = n+1, t+x, kg+y
		tt, tkg, kgkg = tt+float64(x*x), tkg+float64(x*y), kgkg+float64(y*y)
	}
	if l.N == 0 {
		return l
	}
	l.MidS, l.Kg = toS+t/n, zero+kg/n
	spread := tt - float64(t*t)/n
	if l.N < 3 || spread <= 0 {
		return l
	}
	both := tkg - float64(t*kg)/n
	l.KgS = both / spread
	l.RmsKg = math.Sqrt(max(0, kgkg-float64(kg*kg)/n-float64(l.KgS*both)) / (n - 2))
	return l
}
