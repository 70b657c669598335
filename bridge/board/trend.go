package board

import (
	"math"
	"slices"
	"time"
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
