package fillcalc

import "math"

// Step is a change that is held apart until it is known what it was.
type Step struct {
	ID     int // from 1 within a job
	Sensor string
	AtNs   int64
	Kg     float64 // as the scale shows it; negative when weight went away
	U2     float64 // kg², how well it could be told from what flowed meanwhile
	Cause  Cause
	Tally  Tally    // the account it goes to when it was fluid
	As     Decision // empty while undecided
	By     string   // who decided
	// With is the other step of a pair: an object that came and went. What it left
	// behind is counted with the later one. 0 for none.
	With int
}

// Decision is what a step was.
type Decision string

const (
	AsFluid  Decision = "fluid"  // it is counted as it went: drained or added
	AsObject Decision = "object" // a tool, a pan: never counted
	AsSwap   Decision = "swap"   // a container changed or emptied: the tally stays
	AsLean   Decision = "lean"   // somebody's weight, gone again: what it seemed to add is taken back
)

// BySignal stands for who decided where the signal itself proves what a step
// was.
const BySignal = "signal"

const (
	// An object that comes off lighter left fluid behind, but no more than its own
	// weight: a pan or a filter carries less than that.
	leastObjectShare = 0.5
	// Nobody leans on a cart for longer.
	leanNs = 60e9
)

// match decides the newest step where the signal proves what it was: an object
// that came and went. All that a pair leaves over is counted, so that the two
// weigh as if the object had never been there.
func (j *Job) match(sc *Scale) {
	n := &j.Steps[len(j.Steps)-1]
	var open []*Step // what may have been the object's arrival, the newest first
	sumKg, sumU2 := n.Kg, n.U2
	for i := len(j.Steps) - 2; i >= j.StepsBefore; i-- {
		c := &j.Steps[i]
		if c.Sensor == n.Sensor && c.With == 0 && (c.As == "" || c.As == AsObject) && (c.Kg > 0) != (n.Kg > 0) {
			open = append(open, c)
			sumKg += c.Kg
			sumU2 += c.U2
		}
	}
	near := func(kg, u2 float64) bool { return math.Abs(kg) <= sc.bandKg()+float64(2*math.Sqrt(u2)) }
	for _, c := range open {
		if near(c.Kg+n.Kg, c.U2+n.U2) {
			j.pair(sc, c)
			return
		}
	}
	switch {
	case len(open) > 1 && near(sumKg, sumU2):
		j.pair(sc, open...) // laid on one by one, taken away together
	case len(open) == 1 && n.Kg < 0 && sumKg > 0 && -n.Kg >= float64(leastObjectShare*open[0].Kg) && sc.Setup.Load != SupplyLoad:
		j.pair(sc, open[0])
	case j.leant(sc, n):
		n.As, n.By = AsLean, BySignal
		j.add(j.tallyOf(sc.Setup.Load, float64(sc.Direction)), n.Kg)
	}
}

// pair joins the newest step to those that it ends.
func (j *Job) pair(sc *Scale, came ...*Step) {
	n := &j.Steps[len(j.Steps)-1]
	leftKg := n.Kg
	for _, c := range came {
		leftKg += c.Kg
		c.With = n.ID
		if c.As == "" {
			c.As, c.By = AsObject, BySignal
		}
	}
	n.With, n.As, n.By = came[0].ID, AsObject, BySignal
	// What an object leaves behind has drained, whatever the phase; anything
	// smaller belongs to the stream that runs.
	direction := float64(sc.Direction)
	if leftKg > sc.bandKg() {
		direction = 1
	}
	j.add(j.tallyOf(sc.Setup.Load, direction), leftKg)
}

// leant tells whether a step back undoes a rise that was taken for fluid: the
// level is again where it rested shortly before, and nothing else happened
// since.
func (j *Job) leant(sc *Scale, n *Step) bool {
	if (n.Kg > 0) == (sc.Direction > 0) {
		return false
	}
	for _, p := range sc.Plateaus {
		if p.AtNs == 0 || n.AtNs-p.AtNs > leanNs {
			continue
		}
		if math.Abs(sc.LevelKg-p.LevelKg) <= sc.bandKg() &&
			(len(j.Steps) == 1 || j.Steps[len(j.Steps)-2].AtNs < p.AtNs) {
			return true
		}
	}
	return false
}
