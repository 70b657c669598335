package board

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// trend keeps the last half hour of a job: one sample every six seconds is
// finer than a plot can show.
type trend struct {
	job  string
	ring [trendSamples]sample
	n    int // added so far, in this job
	last time.Time
}

// sample is a moment's figures; NaN is a gap.
type sample struct{ drainedL, addedL, fluidC float64 }

const (
	trendEvery   = 6 * time.Second
	trendSamples = 300
)

// add takes a sample when it is time for one; another job begins anew.
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

// plot is a trend as two pictures on one axis of time: litres above, the fluid's
// temperature below.
type plot struct {
	Known              bool
	Drained, Added     string // paths
	DrainedEnd         tick   // where the newest value stands
	AddedEnd           tick
	Fluid              string
	FluidEnd           tick
	Litres, C, Minutes []tick // of Minutes, Y is the place from the left
}

// Where the two pictures lie.
const (
	nameTallY                 = 36.0
	plotLeftX, plotRightX     = 70.0, 540.0
	litresTopY, litresBottomY = 18.0, 118.0
	fluidTopY, fluidBottomY   = 158.0, 218.0
)

func (t *trend) plot(now time.Time) plot {
	held := min(t.n, trendSamples)
	if held < 2 {
		return plot{}
	}
	at := func(i int) sample { return t.ring[(t.n-held+i)%trendSamples] }
	most, coldC, hotC := 1.0, math.Inf(1), math.Inf(-1)
	for i := range held {
		s := at(i)
		for _, l := range []float64{s.drainedL, s.addedL} {
			if !math.IsNaN(l) {
				most = max(most, l)
			}
		}
		if !math.IsNaN(s.fluidC) {
			coldC, hotC = min(coldC, s.fluidC), max(hotC, s.fluidC)
		}
	}
	minutes := 5.0 // across the picture
	for minutes < 30 && float64(held-1)*trendEvery.Minutes() > minutes {
		minutes = map[float64]float64{5: 10, 10: 20, 20: 30}[minutes]
	}
	x := func(i int) float64 {
		before := float64(held-1-i) * trendEvery.Minutes()
		return plotRightX - (plotRightX-plotLeftX)*before/minutes
	}
	top, each := niceScale(most)
	litresY := func(l float64) float64 {
		return litresBottomY - (litresBottomY-litresTopY)*min(1, max(0, l/top))
	}
	lowC, highC := 10*math.Floor(coldC/10), 10*math.Ceil(hotC/10+0.01)
	fluidY := func(c float64) float64 {
		return fluidBottomY - (fluidBottomY-fluidTopY)*(c-lowC)/(highC-lowC)
	}
	// draw is a line through one of a sample's figures, broken where it is not known.
	draw := func(of func(sample) float64, y func(float64) float64) (string, tick) {
		var path strings.Builder
		pen, end := "M", tick{}
		for i := range held {
			f := of(at(i))
			if x(i) < plotLeftX {
				continue
			}
			if math.IsNaN(f) {
				pen, end = "M", tick{}
				continue
			}
			fmt.Fprintf(&path, "%s%.1f %.1f", pen, x(i), y(f))
			pen, end = "L", tick{y(f), "known"}
		}
		return path.String(), end
	}
	p := plot{Known: true}
	p.Drained, p.DrainedEnd = draw(func(s sample) float64 { return s.drainedL }, litresY)
	p.Added, p.AddedEnd = draw(func(s sample) float64 { return s.addedL }, litresY)
	if math.Abs(p.DrainedEnd.Y-p.AddedEnd.Y) < nameTallY { // their names must not lie on each other
		if p.AddedEnd.Y < p.DrainedEnd.Y {
			p.AddedEnd.Y = p.DrainedEnd.Y - nameTallY
		} else {
			p.AddedEnd.Y = p.DrainedEnd.Y + nameTallY
		}
	}
	for l := 0.0; l <= top+each/2; l += 2 * each {
		p.Litres = append(p.Litres, tick{litresY(l), fmt.Sprintf("%g", math.Round(l*10)/10)})
	}
	if coldC <= hotC {
		p.Fluid, p.FluidEnd = draw(func(s sample) float64 { return s.fluidC }, fluidY)
		p.C = []tick{{fluidY(lowC), fmt.Sprintf("%g", lowC)}, {fluidY(highC), fmt.Sprintf("%g", highC)}}
	}
	for _, share := range []float64{0, 0.5, 1} {
		text := "now"
		if share < 1 {
			text = fmt.Sprintf("−%g min", minutes*(1-share))
		}
		p.Minutes = append(p.Minutes, tick{plotLeftX + (plotRightX-plotLeftX)*share, text})
	}
	return p
}
