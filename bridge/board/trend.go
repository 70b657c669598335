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

func (t *trend) plot() plot {
	samples := t.samples()
	if len(samples) < 2 {
		return plot{}
	}
	age := func(i int) time.Duration { return time.Duration(len(samples)-1-i) * trendEvery }
	width := plotWidth(age(0))
	x := chart.TimeAxis{FromNs: -int64(width), LeftX: plotLeftX, RightX: plotRightX}
	draw := func(y chart.Axis, of func(sample) float64) (l trendLine) {
		for i, s := range samples {
			v := of(s)
			if l.Ends = !math.IsNaN(v); !l.Ends {
				l.Path.Break()
				continue
			}
			l.EndY = y.Y(v)
			l.Path.Line(x.X(-int64(age(i))), l.EndY)
		}
		return l
	}
	maxL, minC, maxC := 1.0, math.Inf(1), math.Inf(-1)
	for _, s := range samples {
		for _, l := range []float64{s.drainedL, s.addedL} {
			if !math.IsNaN(l) {
				maxL = max(maxL, l)
			}
		}
		if !math.IsNaN(s.fluidC) {
			minC, maxC = min(minC, s.fluidC), max(maxC, s.fluidC)
		}
	}
	p := plot{Known: true}
	y := litresAxis(maxL, litresBottomY, litresTopY)
	p.Drained = draw(y, func(s sample) float64 { return s.drainedL })
	p.Added = draw(y, func(s sample) float64 { return s.addedL })
	p.separateNames()
	for i, tick := range y.Ticks(litresFormat) {
		if i%2 == 0 { // there is no room for more
			p.Litres = append(p.Litres, tick)
		}
	}
	if minC <= maxC {
		y := chart.NewAxis(minC, maxC+0.1, 10, fluidBottomY, fluidTopY) // the line stays below the top
		p.Fluid = draw(y, func(s sample) float64 { return s.fluidC })
		ticks := y.Ticks("%.10g")
		p.Celsius = []chart.Mark{ticks[0], ticks[len(ticks)-1]}
	}
	for _, before := range []time.Duration{width, width / 2, 0} {
		text := "now"
		if before > 0 {
			text = chart.Figure("%g min", -before.Minutes())
		}
		p.Minutes = append(p.Minutes, chart.Mark{X: x.X(-int64(before)), Text: text})
	}
	return p
}

// samples are those that the ring holds, the oldest first.
func (t *trend) samples() []sample {
	if t.n <= trendSamples {
		return t.ring[:t.n]
	}
	oldest := t.n % trendSamples
	return slices.Concat(t.ring[oldest:], t.ring[:oldest])
}

// plotWidth is the time across the charts that shows all of what is that old, up to
// the 30 minutes that the ring holds.
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
