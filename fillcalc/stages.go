package fillcalc

import "math"

// warmUpCurve holds the parameters of a warm-up.
type warmUpCurve [5]float64

const (
	toC     = iota // final temperature
	fromC          // initial temperature
	lnSlow         // ln of the slow stage's time constant in seconds
	lnQuick        // ln of the quick stage's
	delayS         // when it begins
)

// response is the response of the last of two or three stages in series to a step
// at the first one. After x seconds the share of the step that is still to come is
//
//	Σ shareᵢ·exp(−x/tauᵢ),  shareᵢ = Π tauᵢ/(tauᵢ − tauⱼ), j ≠ i
//
// (partial fractions; textbook).
type response struct {
	endC, startC, delayS float64
	tauS, share          [3]float64
}

// response returns the response of the fluid, or of a probe in it if lagS is not 0.
func (c *warmUpCurve) response(lagS float64) response {
	slowS := Exp(c[lnSlow])
	quickS := min(Exp(c[lnQuick]), 0.9*slowS)
	r := response{endC: c[toC], startC: c[fromC], delayS: c[delayS], tauS: [3]float64{slowS, quickS, min(lagS, 0.8*slowS)}}
	n := 3
	if lagS == 0 {
		n = 2
	} else if math.Abs(r.tauS[2]-quickS) < 0.03*quickS {
		r.tauS[2] = 0.97 * quickS // the formula needs different time constants
	}
	for i := range n {
		r.share[i] = 1
		for j := range n {
			if j != i {
				r.share[i] *= r.tauS[i] / (r.tauS[i] - r.tauS[j])
			}
		}
	}
	return r
}

// left returns the share of the step that is still to come after x seconds, and
// its rate of change per second.
func (r *response) left(x float64) (left, rate float64) {
	x -= r.delayS
	if x <= 0 {
		return 1, 0
	}
	for i, share := range r.share {
		if share != 0 {
			part := float64(share * fade(1/r.tauS[i], x))
			left += part
			rate -= part / r.tauS[i]
		}
	}
	return left, rate
}

// reaches returns when the response reaches a temperature, at fromS or later; ok is
// false if it does not within forecastMaxS.
func (r *response) reaches(celsius, fromS float64) (x float64, ok bool) {
	left := (celsius - r.endC) / (r.startC - r.endC)
	if !(left > 0) {
		return 0, false
	}
	falls := func(x float64) bool { // the temperature is not reached yet
		is, _ := r.left(x)
		return is > left
	}
	low, high := fromS, fromS
	for stepS := 60.0; falls(high); stepS *= 2 {
		if high-fromS > forecastMaxS {
			return 0, false
		}
		low, high = high, high+stepS
	}
	for high-low > 0.01 {
		if middle := (low + high) / 2; falls(middle) {
			low = middle
		} else {
			high = middle
		}
	}
	return high, true
}

// nudged holds the responses of a curve, and of the same curve with one of its
// time constants slightly larger, for the derivatives.
type nudged [3]response

const nudgeLn = 1e-3

func (c *warmUpCurve) nudged(lagS float64) nudged {
	slow, quick := *c, *c
	slow[lnSlow] += nudgeLn
	quick[lnQuick] += nudgeLn
	return nudged{c.response(lagS), slow.response(lagS), quick.response(lagS)}
}

// slopes returns the temperature at x seconds, its rate in °C/s, and its derivative
// with respect to each parameter.
func (a *nudged) slopes(x float64) (celsius, rateCS float64, d warmUpCurve) {
	r := &a[0]
	stepC := r.startC - r.endC
	left, rate := r.left(x)
	slow, _ := a[1].left(x)
	quick, _ := a[2].left(x)
	rateCS = stepC * rate
	return r.endC + float64(stepC*left), rateCS, warmUpCurve{
		toC: 1 - left, fromC: left,
		lnSlow: stepC * (slow - left) / nudgeLn, lnQuick: stepC * (quick - left) / nudgeLn,
		delayS: -rateCS,
	}
}
