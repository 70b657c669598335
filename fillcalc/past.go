package fillcalc

import "math"

// past is the level some time ago.
type past struct {
	AtNs    int64
	LevelKg float64
	FlowKgS float64 // the steady one
	LateKgS float64 // the slope just before; it shows sooner that a stream has changed
}

func (s *Scale) remember(atNs int64) {
	if s.PastN > 0 {
		newest := &s.Past[(s.PastAt+s.PastN-1)%len(s.Past)]
		if atNs-newest.AtNs < pastEveryNs {
			return
		}
	}
	p := past{atNs, s.LevelKg, s.flowKgS(), s.flowKgS()}
	if _, ok := s.ago(atNs, lateNs); ok {
		p.LateKgS = s.slopeKgS(atNs, lateNs)
	}
	if s.PastN < len(s.Past) {
		s.Past[(s.PastAt+s.PastN)%len(s.Past)] = p
		s.PastN++
		return
	}
	s.Past[s.PastAt] = p
	s.PastAt = (s.PastAt + 1) % len(s.Past)
}

// ago is the newest past level that is at least so old.
func (s *Scale) ago(atNs, ageNs int64) (p past, ok bool) {
	for i := 1; i <= s.PastN; i++ {
		p = s.Past[(s.PastAt+s.PastN-i)%len(s.Past)]
		if atNs-p.AtNs >= ageNs {
			return p, true
		}
	}
	return past{}, false
}

// before is the level from before a change that has just become plain, with the
// flow at the time.
func (s *Scale) before(atNs int64) past {
	p, ok := s.ago(atNs, onsetNs)
	switch {
	case !ok && s.PastN == 0:
		return past{AtNs: s.LastNs, LevelKg: s.LevelKg}
	case !ok:
		p = s.Past[s.PastAt]
	}
	if math.Abs(p.LateKgS-p.FlowKgS) > s.bandKg()/4 {
		p.FlowKgS = p.LateKgS
	}
	return p
}

// slopeKgS is how fast the level has moved of late; 0 when that is not known.
func (s *Scale) slopeKgS(atNs, overNs int64) float64 {
	p, ok := s.ago(atNs, overNs)
	if !ok {
		return 0
	}
	return (s.LevelKg - p.LevelKg) / (float64(atNs-p.AtNs) / 1e9)
}
