package fillcalc

import (
	"fmt"
	"math"
	"slices"
)

// Usual is what usually came out in the shop's own closed jobs with the same service data.
// It comes with the job's opening. It is compared with what was measured, and never stands
// in its place.
type Usual struct {
	OutL float64 `json:"out_l"` // median
	UL   float64 `json:"u_l"`   // about 95 % of such jobs lie within ± this of it
	Jobs int     `json:"jobs"`
}

// The keys of the notes that compare a job with the shop's own.
const (
	NoteUsualLess = "note.usual_less"
	NoteUsualMore = "note.usual_more"
)

const (
	// LeastUsual is how many jobs say what is usual (common practice, no source).
	LeastUsual = 5
	// usualLimit times ± is how far a job must be off for a note: three standard deviations
	// instead of two, or one ordinary job in twenty would get one.
	usualLimit = 1.5
	// leastUsualUL is the smallest ±: what stays in a pan differs by this from job to job,
	// also where a few jobs were alike by chance (common practice, no source).
	leastUsualUL = 0.1
)

// UsualOf returns the median of what jobs measured, in litres, and within which ± about 95 %
// of such jobs lie. ok is false with fewer than [LeastUsual] jobs.
//
// The ± is twice the standard deviation that the median absolute deviation stands for, so
// that a few odd jobs among them change neither figure much. The factor 1.4826 makes it that
// of a normal distribution (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.6, gives
// MAD; the factor is 1 over the normal quantile of 3/4). For few jobs it is too small; the
// factors for that are those of Croux and Rousseeuw (1992; from memory).
func UsualOf(litres []float64) (medianL, uL float64, ok bool) {
	n := len(litres)
	if n < LeastUsual {
		return math.NaN(), math.NaN(), false
	}
	medianL = median(litres)
	off := make([]float64, n)
	for i, l := range litres {
		off[i] = math.Abs(l - medianL)
	}
	few := float64(n) / (float64(n) - 0.8)
	if n <= 9 {
		few = [...]float64{5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}[n]
	}
	return medianL, max(2*1.4826*few*median(off), leastUsualUL), true
}

// median returns the middle of the values, or the mean of the middle two.
func median(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// OutL returns what has left the transmission so far: what was weighed, and what people
// entered as spilled or still in the pan. Litres are at the reference temperature, u is
// expanded (k = 2). They are NaN while drained is not known.
func (s *State) OutL() (litres, expandedL float64) {
	v := s.Volumes()
	spilledL, spilledU2 := s.Job.entered(EnterSpilled)
	retainedL, retainedU2 := s.Job.entered(EnterRetained)
	return v.DrainedL + spilledL + retainedL, rootSumSquares(v.DrainedUL, 2*math.Sqrt(spilledU2+retainedU2))
}

// UsualNote says before the refill that more or less came out than in the shop's other jobs.
// ok is false when there is nothing to say. Less is said only when no more comes.
func (s *State) UsualNote() (note Text, ok bool) {
	j := &s.Job
	usual := j.Spec.Usual
	if usual == nil || j.Drains() > 1 || j.Phase != Draining && j.Phase != Service {
		return Text{}, false
	}
	outL, uL := s.OutL()
	limitL := rootSumSquares(usual.limitL(), float64(usualLimit*uL))
	f := s.Tail.Forecast(s.NowNs)
	ended := j.Phase == Service || f.Known && f.Drips
	key := ""
	switch {
	case outL > usual.OutL+limitL:
		key = NoteUsualMore
	case outL < usual.OutL-limitL && ended:
		key = NoteUsualLess
	default:
		return Text{}, false
	}
	return Text{Key: key, Figures: figures{"out_l": outL, "usual_l": usual.OutL, "usual_u_l": usual.UL, "jobs": float64(usual.Jobs)}}, true
}

// Drains counts how many times the transmission was drained: once more for each draining
// after a filling.
func (j *Job) Drains() (n int) {
	empty := false
	for _, p := range j.Phases {
		switch {
		case p.Phase == Draining && !empty:
			n++
			empty = true
		case p.Phase == Filling:
			empty = false
		}
	}
	return n
}

// limitL is how far a job must be off for a note. A spread that is known from few jobs only
// may be too small by chance: the share 2 over their number was found by simulation, see
// TestUsualIsRarelyWrong.
func (u *Usual) limitL() float64 { return usualLimit * u.UL * (1 + 2/float64(u.Jobs)) }

func (u *Usual) check() error {
	if u == nil {
		return nil
	}
	if !(u.OutL > 0 && u.OutL <= 1000) || !(u.UL > 0 && u.UL <= 1000) || u.Jobs < LeastUsual {
		return fmt.Errorf("usual: %g ± %g L of %d jobs must be above 0 and at most 1000 L, of at least %d jobs", u.OutL, u.UL, u.Jobs, LeastUsual)
	}
	return nil
}
