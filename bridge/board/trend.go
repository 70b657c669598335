package board

import (
	"math"
	"slices"
	"time"

	"bayfill/bridge/chart"
)

// trend keeps the last half hour of a job. One sample every six seconds is finer than
// a plot can show.
type trend struct {
	job  string
	ring [trendSamples]sample
	n    int // samples added so far in this job
	last time.Time
}

// sample is the figures of a moment; NaN is a gap.
type sample struct{ drainedL, addedL, fluidC float64 }

const (
	trendEvery   = 6 * time.Second
	trendSamples = 300
)

// add keeps a sample when it is time for one. Another job starts an empty trend.
func (t *trend) add(job string, s sample, now time.Time) {
	if job != t.job {
		*t = trend{job: job}
	}
	if t.n > 0 && now.Sub(t.last) < trendEvery {
		return
	}
	t.ring[t.n%trendSamples] = s
	t.n++
	t.last = now
}

// plot is a trend as two charts on one axis of time: litres at the top, the
// temperature of the fluid below.
type plot struct {
	Known                    bool
	Drained, Added, Fluid    trendLine
	Litres, Celsius, Minutes []chart.Mark
}

// trendLine is one figure over time. When its newest value is known, the line ends
// at EndY, and its name stands there.
type trendLine struct {
	Path chart.Path
	Ends bool
	EndY float64
}

// The layout of the two charts.
const (
	lineNameHeight            = 36.0
	plotLeftX, plotRightX     = 70.0, 540.0
	litresTopY, litresBottomY = 18.0, 118.0
	fluidTopY, fluidBottomY   = 158.0, 218.0
)

func (t *trend) plot() (p plot) {
	samples := t.samples()
	if len(samples) < 2 {
		return p
	}
	p.Known = true
	width := plotWidth(time.Duration(len(samples)-1) * trendEvery)
	x := chart.TimeAxis{FromNs: -int64(width), LeftX: plotLeftX, RightX: plotRightX} // 0 is now
	p.drawLitres(samples, x)
	p.drawFluid(samples, x)
	for _, ago := range []time.Duration{width, width / 2, 0} {
		text := "now"
		if ago > 0 {
			text = chart.Figure("%g min", -ago.Minutes())
		}
		p.Minutes = append(p.Minutes, chart.Mark{X: x.X(-int64(ago)), Text: text})
	}
	return p
}

func (p *plot) drawLitres(samples []sample, x chart.TimeAxis) {
	drained, added := func(s sample) float64 { return s.drainedL }, func(s sample) float64 { return s.addedL }
	_, maxDrained := bounds(samples, drained)
	_, maxAdded := bounds(samples, added)
	y := litresAxis(max(1, maxDrained, maxAdded), litresBottomY, litresTopY)
	p.Drained, p.Added = newTrendLine(samples, drained, x, y), newTrendLine(samples, added, x, y)
	p.separateNames()
	for i, tick := range y.Ticks(litresFormat) {
		if i%2 == 0 { // there is no room for more
			p.Litres = append(p.Litres, tick)
		}
	}
}

func (p *plot) drawFluid(samples []sample, x chart.TimeAxis) {
	fluid := func(s sample) float64 { return s.fluidC }
	minC, maxC := bounds(samples, fluid)
	if minC > maxC {
		return // unknown all the time
	}
	y := chart.NewAxis(minC, maxC+0.1, 10, fluidBottomY, fluidTopY) // the line stays below the top
	p.Fluid = newTrendLine(samples, fluid, x, y)
	ticks := y.Ticks("%.10g")
	p.Celsius = []chart.Mark{ticks[0], ticks[len(ticks)-1]}
}

// newTrendLine draws one figure of the samples, the newest at 0 of the time axis.
func newTrendLine(samples []sample, of func(sample) float64, x chart.TimeAxis, y chart.Axis) (l trendLine) {
	for i, s := range samples {
		v := of(s)
		if l.Ends = !math.IsNaN(v); !l.Ends {
			l.Path.Break()
			continue
		}
		age := time.Duration(len(samples)-1-i) * trendEvery
		l.EndY = y.Y(v)
		l.Path.Line(x.X(-int64(age)), l.EndY)
	}
	return l
}

// bounds returns the min and the max of a figure, +Inf and -Inf when it is unknown in
// all samples.
func bounds(samples []sample, of func(sample) float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, s := range samples {
		if v := of(s); !math.IsNaN(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	return low, high
}

// samples returns the samples in the ring, the oldest first.
func (t *trend) samples() []sample {
	if t.n <= trendSamples {
		return t.ring[:t.n]
	}
	oldest := t.n % trendSamples
	return slices.Concat(t.ring[oldest:], t.ring[:oldest])
}

// plotWidth returns the time that the charts cover: enough for a sample of that age, up
// to the 30 minutes that the ring holds.
func plotWidth(oldest time.Duration) time.Duration {
	for _, width := range []time.Duration{5 * time.Minute, 10 * time.Minute, 20 * time.Minute} {
		if oldest <= width {
			return width
		}
	}
	return trendSamples * trendEvery
}

// separateNames moves the name of the line of what was added away from that of what
// was drained, so that they do not overlap.
func (p *plot) separateNames() {
	distance := p.Added.EndY - p.Drained.EndY
	if !p.Drained.Ends || !p.Added.Ends || math.Abs(distance) >= lineNameHeight {
		return
	}
	if p.Added.EndY = p.Drained.EndY + lineNameHeight; distance < 0 {
		p.Added.EndY = p.Drained.EndY - lineNameHeight
	}
}
