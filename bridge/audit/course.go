package audit

import (
	"math"

	"bayfill/bridge/chart"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// course is a job over time, as the sheet draws it.
type course struct {
	fromNs, toNs int64
	scales       []fillcalc.ScaleSetup
	weights      []*chart.Curve // of each scale, kg as shown
	fluidC       *chart.Curve
	pours        [2][]stretch // drained, added
	open         []stretch    // the check window
	openNow      bool
	flows        [2]flow
	reader       words.Reader
}

// stretch is a time between two moments, and the litres that flowed in it.
type stretch struct {
	fromNs, toNs int64
	litres       float64
}

// course folds the job again and notes what the sheet draws: values as they come,
// flows and the check window once a second.
func (r *Report) course(reader words.Reader) *course {
	c := &course{scales: r.state.Setup.Scales, reader: reader}
	if len(r.events) == 0 {
		return c
	}
	c.fromNs, c.toNs = r.events[0].AtNs, r.events[len(r.events)-1].AtNs
	for range c.scales {
		c.weights = append(c.weights, chart.NewCurve(c.fromNs, c.toNs, fillcalc.ScaleSilentNs))
	}
	c.fluidC = chart.NewCurve(c.fromNs, c.toNs, fillcalc.ProbeSilentNs)
	probe, _ := r.state.Setup.WindowProbe()
	var s fillcalc.State
	sampledNs := int64(0)
	for i := range r.events {
		e := &r.events[i]
		s = fillcalc.Apply(s, *e)
		c.addWeight(e)
		if e.Kind == fillcalc.KindTemperature && e.Sensor == probe.Sensor {
			c.fluidC.Add(e.AtNs, s.CheckWindow().TempC)
		}
		if last := i == len(r.events)-1; last || e.AtNs-sampledNs >= 1e9 {
			sampledNs = e.AtNs
			c.sample(&s, e.AtNs, last)
		}
	}
	return c
}

func (c *course) addWeight(e *fillcalc.Event) {
	for k := range c.scales {
		if e.Kind != fillcalc.KindWeight || e.Sensor != c.scales[k].Sensor {
			continue
		}
		kg := e.Value
		if e.Faults.Hidden() {
			kg = math.NaN()
		}
		c.weights[k].Add(e.AtNs, kg)
	}
}

func (c *course) sample(s *fillcalc.State, atNs int64, last bool) {
	window := s.CheckWindow().State
	open := window == fillcalc.Open || window == fillcalc.Closing
	if open && !c.openNow {
		c.open = append(c.open, stretch{fromNs: atNs})
	}
	if open || c.openNow {
		c.open[len(c.open)-1].toNs = atNs
	}
	c.openNow = open
	v := s.Volumes()
	c.flows[0].follow(&c.pours[0], atNs, v.DrainedL, v.DrainedLMin, last)
	c.flows[1].follow(&c.pours[1], atNs, v.AddedL, v.AddedLMin, last)
}

// A pour starts above one flow and ends below another. A smaller or slower one shows
// in the curve only (common practice, no source).
const (
	pourStartsLMin = 0.5
	pourEndsLMin   = 0.15
	minPourL       = 0.02
)

// pourRestNs is how long the flow must stay low before the pour has ended: the fold
// counts the last of it a little later.
const pourRestNs = 4e9

// flow finds the pours in one volume, sample by sample.
type flow struct {
	lastL         float64
	quietNs       int64 // of the last sample at rest: a flow is seen late
	quietL, fromL float64
	fromNs, endNs int64 // of the pour that runs or has just ended; 0: none
}

// follow takes the next sample and adds the pour that it ends, if any.
func (f *flow) follow(pours *[]stretch, atNs int64, litres, litresMin float64, last bool) {
	if isNumber(litres) {
		f.lastL = litres
	}
	rests := !(litresMin > pourEndsLMin)
	switch {
	case f.fromNs == 0 && litresMin > pourStartsLMin && f.quietNs != 0:
		f.fromNs, f.fromL, f.endNs = f.quietNs, f.quietL, 0
	case !rests:
		f.endNs = 0
	case f.endNs == 0:
		f.endNs = atNs
	}
	if rests && f.fromNs != 0 && (last || atNs-f.endNs >= pourRestNs) {
		if poured := f.lastL - f.fromL; poured >= minPourL {
			*pours = append(*pours, stretch{f.fromNs, f.endNs, poured})
		}
		f.fromNs = 0
	}
	if rests && f.fromNs == 0 {
		f.quietNs, f.quietL = atNs, f.lastL
	}
}
