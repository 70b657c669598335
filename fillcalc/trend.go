package fillcalc

import "math"

const (
	// Time constant in seconds with which readings lose weight. A parabola follows a
	// warm-up over a minute to a few hundredths of a degree. If a probe scatters or
	// sends seldom, the constant is longer, and the more so the slower the fluid
	// changes: what matters is when it reaches a temperature.
	memoryS          = 20.0
	memoryScatter    = 30.0 // s for each °C·√s of scatter
	memoryFastS      = 10.0
	memoryFastByRate = 5.0 // s for each √s³ of scatter over rate
	// What is assumed before there are readings, as standard deviations: a probe's
	// scatter, the fluid's rate and the change of that rate (common practice, no
	// source).
	usualScatterC = 0.15
	usualRateCS   = 0.1
	usualBendCS2  = 0.001
	// The scatter belongs to the probe and hardly changes. It is the residual of the
	// parabola, averaged over this time, once the readings have this much weight.
	scatterMemoryS = 100.0
	scatterMinN    = 4.0
	// A display of whole degrees, and noise. A larger distance from the parabola is
	// not scatter but a change.
	maxScatterC = 0.5
)

// Trend is a parabola through the latest readings of a probe, by least squares with
// weights that fade exponentially with age (Brown 1963, from memory). It gives
// level and rate with their variances. A straight line would read too high on a
// warm-up, which bends.
type Trend struct {
	Weight   [5]float64 // sums of weight·ageⁱ for index i; ages in units of memoryS
	Shown    [3]float64 // sums of weight·ageⁱ·reading
	Square   float64    // sum of weight·reading²
	Variance float64    // of one reading's scatter, in °C²
}

// add takes a reading in °C that came dtS after the last one.
func (t *Trend) add(dtS, celsius float64) {
	if t.Variance == 0 {
		t.Variance = usualScatterC * usualScatterC
	}
	scatter := math.Sqrt(t.Variance * dtS)
	keepS := memoryS + float64(memoryScatter*scatter)
	if rateCS := math.Abs(t.now().rateCS); rateCS > 0 { // false before the first reading
		keepS = min(keepS, memoryFastS+float64(memoryFastByRate*(scatter/rateCS)))
	}
	faded := fade(1/keepS, dtS)
	// All ages grow by a: (age + a)^n by the binomial theorem.
	a := dtS / memoryS
	w, c := t.Weight, t.Shown
	for i := range 4 {
		for n := 4; n > i; n-- {
			w[n] += float64(a * w[n-1])
		}
	}
	for i := range 2 {
		for n := 2; n > i; n-- {
			c[n] += float64(a * c[n-1])
		}
	}
	for n := range w {
		t.Weight[n] = faded * w[n]
	}
	for n := range c {
		t.Shown[n] = faded * c[n]
	}
	t.Square = float64(faded*t.Square) + float64(celsius*celsius)
	t.Weight[0]++
	t.Shown[0] += celsius
	if n := t.Weight[0]; n > scatterMinN {
		variance := min(max(0, t.now().squares/(n-2)), maxScatterC*maxScatterC) // a discounted parabola takes about two degrees of freedom
		t.Variance += float64((variance - t.Variance) * (dtS / (dtS + scatterMemoryS)))
	}
}

// tangent is level and rate of the trend at its last reading.
type tangent struct {
	celsius, rateCS float64
	// Variances and covariance of the two.
	varC, varRate, both float64
	squares             float64 // weighted sum of the squared residuals
}

func (t *Trend) now() tangent {
	// The parabola is celsius − slope·age + bend·age². The symmetric matrix of the
	// normal equations is inverted by cofactors.
	const slope, bend = usualRateCS * memoryS, usualBendCS2 * memoryS * memoryS / 2
	m11 := t.Weight[2] + usualScatterC*usualScatterC/(slope*slope)
	m22 := t.Weight[4] + usualScatterC*usualScatterC/(bend*bend)
	m00, m01, m02, m12 := t.Weight[0], t.Weight[1], t.Weight[2], t.Weight[3]
	c00 := float64(m11*m22) - float64(m12*m12)
	c01 := float64(m02*m12) - float64(m01*m22)
	c02 := float64(m01*m12) - float64(m02*m11)
	c11 := float64(m00*m22) - float64(m02*m02)
	c12 := float64(m01*m02) - float64(m00*m12)
	c22 := float64(m00*m11) - float64(m01*m01)
	det := float64(m00*c00) + float64(m01*c01) + float64(m02*c02)
	p0 := (float64(c00*t.Shown[0]) + float64(c01*t.Shown[1]) + float64(c02*t.Shown[2])) / det
	p1 := (float64(c01*t.Shown[0]) + float64(c11*t.Shown[1]) + float64(c12*t.Shown[2])) / det
	p2 := (float64(c02*t.Shown[0]) + float64(c12*t.Shown[1]) + float64(c22*t.Shown[2])) / det
	v := t.Variance / det
	return tangent{
		celsius: p0, rateCS: -p1 / memoryS,
		varC: v * c00, varRate: v * c11 / (memoryS * memoryS), both: -v * c01 / memoryS,
		squares: t.Square - float64(p0*t.Shown[0]) - float64(p1*t.Shown[1]) - float64(p2*t.Shown[2]),
	}
}
