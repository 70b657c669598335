package fillcalc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// seen lets a scatter see what kg gives at ten levels a second.
func seen(seconds float64, kg func(t float64) float64) *scatter {
	c := &scatter{}
	for i := range int(10 * seconds) {
		c.see(int64(i+1)*1e8, kg(float64(i)/10), 0.005)
	}
	return c
}

// Normal noise is read as its standard deviation: the median of |x| is 0.6745 σ, and a
// second difference has √6 σ (both textbook).
func TestScatterOfNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	mean := 0.0
	for range 20 {
		mean += seen(300, func(float64) float64 { return 5 + 0.01*rng.NormFloat64() }).sigmaKg() / 20
	}
	near(t, "sigma of 10 g, in kg", mean, 0.01, 0.0015)
}

// What is no scatter: a level at rest, a stream with its beginning and end, things that
// are set down and taken away, a hole in the readings.
func TestScatterLeavesOutWhatIsDone(t *testing.T) {
	for name, kg := range map[string]func(t float64) float64{
		"rest":   func(float64) float64 { return 5 },
		"stream": func(t float64) float64 { return 5 + 0.05*math.Max(0, math.Min(t-20, 30)) },
		"tools": func(t float64) float64 {
			if math.Mod(t, 40) > 20 {
				return 6.5
			}
			return 5
		},
	} {
		if kg := seen(120, kg).sigmaKg(); kg > 0.0015 {
			t.Errorf("%s: sigma of %.4f kg", name, kg)
		}
	}
	c := &scatter{}
	for i := range 60 {
		c.see(int64(i)*10e9, float64(i%2), 0.005) // never two within two seconds
	}
	if c.Median != 0 {
		t.Errorf("holes: a median of %g kg", c.Median)
	}
}

// A sway of one frequency is read as 0.6 to 2.7 of its standard deviation, close to 1 Hz as
// less: what the method can do.
func TestScatterOfWind(t *testing.T) {
	for _, hz := range []float64{0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8} {
		sigma := seen(300, func(t float64) float64 { return 0.02 * math.Sqrt2 * math.Sin(2*math.Pi*hz*t) }).sigmaKg()
		if ratio := sigma / 0.02; !(ratio > 0.55 && ratio < 2.8) {
			t.Errorf("%g Hz: %.2f of its standard deviation", hz, ratio)
		}
	}
}

// In wind that the setup does not know, the band grows, nothing is asked, the account
// stays right within its uncertainty, and an alert says so until the wind has gone.
func TestWindIsMeasured(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	calmBandKg, calmUL := r.s.Scales[0].bandKg(), r.s.Volumes().DrainedUL
	wind := func(t float64) float64 {
		return 0.012 * (math.Sin(2*math.Pi*0.31*t) + math.Sin(2*math.Pi*0.47*t))
	}
	r.scene(60, nil, nil, wind)
	sc := &r.s.Scales[0]
	if !(sc.bandKg() > 1.5*calmBandKg) {
		t.Errorf("band of %.3f kg after %.3f", sc.bandKg(), calmBandKg)
	}
	asked := len(r.s.Job.Steps)
	r.scene(40, steady(0.05), nil, wind)
	r.scene(20, nil, nil, wind)
	v := r.s.Volumes()
	if len(r.s.Job.Steps) > asked || !(v.DrainedUL > 1.2*calmUL) {
		t.Errorf("%d steps after %d; U of %.4f L after %.4f", len(r.s.Job.Steps), asked, v.DrainedUL, calmUL)
	}
	near(t, "drained", v.DrainedL, 2/r.s.Job.UsedKgM3*1000*r.s.Job.UsedFactor, v.DrainedUL)
	a := alertOf(r.s, AlertScatter)
	if a.Kind() != "scatter:caddy" || !strings.Contains(a.Text, "scale caddy sways by") || a.Figures["configured_kg"] != 0.002 || !(a.Figures["seen_kg"] > 0.005) {
		t.Errorf("%s: %s %v", a.Kind(), a.Text, a.Figures)
	}
	r.scene(90, nil, nil, nil)
	if a := alertOf(r.s, AlertScatter); a.Text != "" {
		t.Errorf("after the wind: %s", a.Text)
	}
	if later := r.s.Volumes().DrainedUL; later < 0.99*v.DrainedUL {
		t.Errorf("U of %.4f L after %.4f: it forgets the wind", later, v.DrainedUL)
	}
}

func alertOf(s State, code AlertCode) Alert {
	for _, a := range s.Alerts() {
		if a.Code == code {
			return a
		}
	}
	return Alert{Code: code}
}
