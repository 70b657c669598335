package fillcalc

import "math"

// lay remembers what came or went while nobody counted.
func (s *Scale) lay(kg float64) {
	switch {
	case kg > 0:
		copy(s.Lying[1:], s.Lying[:])
		s.Lying[0] = kg
	case !s.take(-kg):
		s.Vague = true
	}
}

// take forgets what lay there and weighs so much, one thing or two. Of the only one
// that is heavier the rest stays: two were laid down as one, or another was laid down
// when it went. False when there is no such.
func (s *Scale) take(kg float64) bool {
	var heavier []int
	for i, one := range s.Lying {
		switch {
		case one > 0 && math.Abs(one-kg) <= s.bandKg():
			s.Lying[i] = 0
			return true
		case one > kg:
			heavier = append(heavier, i)
		}
	}
	for i, one := range s.Lying {
		for k, two := range s.Lying[:i] {
			if one > 0 && two > 0 && math.Abs(one+two-kg) <= s.bandKg() {
				s.Lying[i], s.Lying[k] = 0, 0
				return true
			}
		}
	}
	if len(heavier) != 1 {
		return false
	}
	s.Lying[heavier[0]] -= kg
	return true
}

// unnoticed reports whether a thing is so light that it may come or go unnoticed
// beside a stream.
func (s *Scale) unnoticed(kg float64) bool { return kg <= float64(s.Setup.MaxFlowKgS*longestHoldS) }

// lies finds what lies there and is nearest to a weight; -1: nothing.
func (s *Scale) lies(kg float64) int {
	best := -1
	for i, o := range s.Lying {
		if o > 0 && (best < 0 || math.Abs(o-kg) < math.Abs(s.Lying[best]-kg)) {
			best = i
		}
	}
	return best
}
