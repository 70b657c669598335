package fillcalc

import (
	"cmp"
	"math"
	"slices"
	"strings"
)

// Improvement says what would make a volume better known.
type Improvement struct {
	Term   Term    // what limits it now
	UL     float64 // expanded uncertainty (k = 2) of the volume if the term were half as large
	Advice string
}

// advice says for each term, by the beginning of its name, what makes it smaller.
var advice = []struct{ name, text string }{
	{"weighing", "a finer display, a calmer place, a level floor, or more time at rest"},
	{"drift of the scale", "let the scale warm up for half an hour, keep draught and sun off it"},
	{"slope of the scale", "calibrate it with weights of class M1 near the usual load"},
	{"linearity", "calibrate it with several weights, up and down"},
	{"load off the middle", "stand the container in the middle of the platform"},
	{"gravity", "calibrate it where it stands"},
	{"density of the air", "enter the pressure and temperature of the place"},
	{"density of the fluid", "measure it with a full bottle (weigh and density), or use the data sheet of the batch"},
	{"expansion", "use a table of the fluid's densities instead of one figure"},
	{"change of the fluid in use", "measure the density of the used fluid"},
	{"what stays in hose", "let the funnel drip off, rinse no hose"},
	{"drips", "wait until the pan is dry before filling, or use a second scale"},
	{"what ran over", "pour slowly near the end, or use a second scale"},
	{"a change", "say what it was; lay nothing on the scale while fluid runs"},
	{"weight of an empty bottle", "write the weight of an empty bottle into the service data"},
	{"empty bottles", "shelter the scale from wind, or throw no bottle away and put each back"},
	{"labels", "weigh the supply"},
}

// Improvements lists what limits a volume most, the largest term first: at most n terms.
func (b Budget) Improvements(n int) (list []Improvement) {
	terms := slices.SortedStableFunc(slices.Values(b), func(a, b Term) int { return cmp.Compare(math.Abs(b.L), math.Abs(a.L)) })
	for _, t := range terms[:min(n, len(terms))] {
		i := Improvement{Term: t, UL: 2 * math.Sqrt(b.U2()-float64(0.75*float64(t.L*t.L)))}
		for _, a := range advice {
			if strings.HasPrefix(t.Name, a.name) {
				i.Advice = a.text
				break
			}
		}
		list = append(list, i)
	}
	return list
}
