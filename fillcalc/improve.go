package fillcalc

import (
	"cmp"
	"math"
	"slices"
)

// Improvement says what would make a volume better known.
type Improvement struct {
	Term Term    // what limits it now; the catalogues say by its name what makes it smaller
	UL   float64 // expanded uncertainty (k = 2) of the volume if the term were half as large
}

// Improvements lists what limits a volume most, the largest term first: at most n terms.
func (b Budget) Improvements(n int) (list []Improvement) {
	terms := slices.SortedStableFunc(slices.Values(b), func(a, b Term) int { return cmp.Compare(math.Abs(b.L), math.Abs(a.L)) })
	for _, t := range terms[:min(n, len(terms))] {
		i := Improvement{Term: t, UL: 2 * math.Sqrt(b.U2()-float64(0.75*float64(t.L*t.L)))}
		list = append(list, i)
	}
	return list
}
