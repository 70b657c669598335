package sim

import (
	"math"
	"slices"
)

// Filter is how an indicator smooths its readings. Common practice, no source.
type Filter int

const (
	Average Filter = iota // moving average over the span
	Lag                   // first-order lag; its time constant is the span
	Median                // median over the span
	Hold                  // moving average whose display stays until the average is more than 2 d away
)

// filter is the state of a Filter.
type filter struct {
	kind    Filter
	last    []float64 // readings of the span, a ring
	n       int       // readings so far
	holdKg  float64
	shownKg float64 // the last result
}

// next takes a reading and returns the result.
func (f *filter) next(kg float64) float64 {
	f.last[f.n%len(f.last)] = kg
	f.n++
	held := f.last[:min(f.n, len(f.last))]
	switch f.kind {
	case Lag:
		if f.n > 1 {
			kg += (f.shownKg - kg) * math.Exp(-1/float64(len(f.last)))
		}
	case Median:
		sorted := slices.Sorted(slices.Values(held))
		kg = sorted[len(sorted)/2]
	case Average, Hold:
		if kg = mean(held); f.kind == Hold && f.n > 1 && math.Abs(kg-f.shownKg) <= f.holdKg {
			kg = f.shownKg
		}
	}
	f.shownKg = kg
	return kg
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}
