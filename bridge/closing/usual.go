package closing

import "bayfill/fillcalc"

// Usual is the shop's own experience with one file of service data. Volumes are NaN with
// fewer than [fillcalc.LeastUsual] jobs; U: about 95 % of such jobs lie within ± this.
type Usual struct {
	Jobs             int
	OutL, OutUL      float64
	TargetL, TargetU float64
	// Jobs whose level was judged right, low or high at the end.
	Right, Low, High int
}

// tells reports whether a job says what is usual: it was done to its end, and the
// transmission was drained once.
func (r *Record) tells() bool {
	return r.Phase == fillcalc.Closed && r.ServiceData != "" && r.Passes == 1 && r.OutL > 0 && r.TargetL > 0
}

// usualOf computes what is usual in jobs that tell it.
func usualOf(jobs []Record) Usual {
	u := Usual{Jobs: len(jobs)}
	var out, target []float64
	for i := range jobs {
		out, target = append(out, jobs[i].OutL), append(target, jobs[i].TargetL)
		switch jobs[i].Level {
		case fillcalc.Right:
			u.Right++
		case fillcalc.Low:
			u.Low++
		case fillcalc.High:
			u.High++
		}
	}
	u.OutL, u.OutUL, _ = fillcalc.UsualOf(out)
	u.TargetL, u.TargetU, _ = fillcalc.UsualOf(target)
	return u
}

// ForJob returns what the opening of a job needs of it; nil if too few jobs were done.
func (u Usual) ForJob() *fillcalc.Usual {
	if u.Jobs < fillcalc.LeastUsual {
		return nil
	}
	return &fillcalc.Usual{OutL: u.OutL, UL: u.OutUL, Jobs: u.Jobs}
}
