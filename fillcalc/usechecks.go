package fillcalc

import (
	"math"
	"slices"
)

// UseCheck is what a closed job says about its instruments without being asked. It is
// rough, but comes with every job: [UseChart] follows it. Nothing is corrected by it.
type UseCheck struct {
	Kind   UseCheckKind
	Sensor string  // empty: the cart's scales together
	Fluid  string  // the fresh one; empty with [CheckZero], which does not depend on it
	Value  float64 // kg with [CheckZero]; relative otherwise
	U      float64 // standard uncertainty, as Value
	// against is what was taken for true: kg of the empty caddy, otherwise the fresh fluid's
	// kg/m³. With another one, a value cannot be compared with those before.
	against float64
}

// UseCheckKind is one of a closed list.
type UseCheckKind string

const (
	CheckSlope   UseCheckKind = "slope"   // full bottles, against their label
	CheckZero    UseCheckKind = "zero"    // an emptied caddy, against its weight
	CheckBalance UseCheckKind = "balance" // added against drained, the level being right before and after
)

const (
	// Full bottles are known by their weight, to within 2 %: of more at once, many other
	// things weigh as much.
	mostBottles = 6
	// A caddy that was tipped out keeps a film of 0 to 40 g (common practice, no source).
	emptiedFilmKg, emptiedUKg = 0.02, 0.012
	// Where a level that is right stands between its marks: ± 0.1 L (common practice, no source).
	levelUL = 0.06
	// Less than this in the account says nothing about its slope (common practice, no source).
	leastDrainedL = 1.0
)

// UseChecks lists what a job says about its instruments, at most one value of each kind for
// a scale. It is empty unless the job is closed.
func (s *State) UseChecks() (list []UseCheck) {
	if s.Job.Phase != Closed {
		return nil
	}
	add := func(c UseCheck, ok bool) {
		if ok {
			list = append(list, c)
		}
	}
	for i := range s.Scales[:s.ScaleN] {
		add(s.slopeCheck(&s.Scales[i]))
		add(s.zeroCheck(&s.Scales[i]))
	}
	add(s.balanceCheck())
	return list
}

// slopeCheck compares the full bottles that came to a scale or left it with their label.
func (s *State) slopeCheck(sc *Scale) (c UseCheck, ok bool) {
	j := &s.Job
	fullKg, u, ok := j.labelledKg()
	if !ok {
		return c, false
	}
	count, kg, u2 := 0.0, 0.0, 0.0
	for i := range j.Changes {
		if change := &j.Changes[i]; change.Sensor == sc.Setup.Sensor && j.wereFull(sc.Setup.Load, change) {
			count += math.Round(math.Abs(change.Kg) / j.fullBottleKg())
			kg += math.Abs(change.Kg)
			u2 += change.U2
		}
	}
	if count == 0 {
		return c, false
	}
	// Bottles of one filling err alike: more of them make the label no better.
	return UseCheck{
		Kind: CheckSlope, Sensor: sc.Setup.Sensor, Fluid: j.Spec.Fresh.Name,
		Value: kg/(count*fullKg) - 1, U: rootSumSquares(u, math.Sqrt(u2)/kg), against: j.labelKgM3(),
	}, true
}

// labelKgM3 is the density of the fresh fluid at the temperature for which labels hold; 0 if
// it is not known.
func (j *Job) labelKgM3() float64 {
	kgM3, err := j.Spec.Fresh.Density(labelC)
	if err != nil {
		return 0
	}
	return kgM3
}

// labelledKg returns what a full bottle weighs by its label, as a scale shows it, with its
// relative standard uncertainty. ok is false if nothing tells what an empty one weighs.
func (j *Job) labelledKg() (kg, u float64, ok bool) {
	if j.Spec.BottleL == 0 || j.EmptyUKg == bottleUKg || j.labelKgM3() == 0 {
		return 0, 0, false
	}
	fluidKg := j.Spec.BottleL * j.labelKgM3() / 1000 / j.FreshFactor
	kg = fluidKg + j.EmptyKg - clingsKg // nothing clings beside the fluid of a full one
	label := tolerancePct(0, j.Spec.BottleL) / 100 / math.Sqrt(3)
	u = rootSumSquares(fluidKg*label, fluidKg*j.Spec.Fresh.DensityU, max(j.EmptyUKg, clingsKg/2)) / kg
	return kg, u, true
}

// wereFull reports whether a change was one or several full bottles that were taken from a
// supply, or brought to it.
func (j *Job) wereFull(load Load, c *Change) bool {
	kg := math.Abs(c.Kg)
	if c.Cause != Sudden || j.wayAt(load, c.AtNs) > 0 || !j.fullBottles(kg) || kg > (mostBottles+0.5)*j.fullBottleKg() {
		return false
	}
	switch c.As {
	case AsBottle:
		return true
	case AsContainer:
		return c.Kg > 0
	case AsGone: // it was taken first, and came back empty; what came first was no bottle
		return c.Kg < 0 && !c.Loose && (c.Last == 0 || c.ID == c.First)
	}
	return false
}

// zeroCheck compares an emptied caddy with its weight.
func (s *State) zeroCheck(sc *Scale) (c UseCheck, ok bool) {
	emptyKg := s.Setup.Caddy.EmptyKg
	if sc.Setup.Load != CaddyLoad || emptyKg < 2*containerKg {
		return c, false
	}
	n, kg, u2 := 0.0, 0.0, 0.0
	for i := range s.Job.Changes {
		change := &s.Job.Changes[i]
		if change.Sensor == sc.Setup.Sensor && change.As == AsContainer && math.Abs(change.EndKg-emptyKg) < containerKg {
			n++
			kg += change.EndKg - emptyKg
			u2 += change.U2
		}
	}
	if n == 0 {
		return c, false
	}
	// The film is that of one caddy: more weighings make it no better known.
	return UseCheck{
		Kind: CheckZero, Sensor: sc.Setup.Sensor, Value: kg/n - emptiedFilmKg,
		U: rootSumSquares(emptiedUKg, math.Sqrt(u2)/n), against: emptyKg,
	}, true
}

// balanceCheck compares what was added with what came out, if the level was right before and
// after. A scale that carries both errs alike in both, so that it says nothing.
func (s *State) balanceCheck() (c UseCheck, ok bool) {
	j := &s.Job
	both := slices.ContainsFunc(s.Scales[:s.ScaleN], func(sc Scale) bool { return sc.Setup.Load == BothLoad })
	if both || !j.levelsRight() {
		return c, false
	}
	v := s.Volumes()
	if !v.Quality.Good() || math.IsNaN(v.BalanceL) || !(v.DrainedL >= leastDrainedL) {
		return c, false
	}
	spilledL, spilledU2 := j.entered(EnterSpilled)
	retainedL, retainedU2 := j.entered(EnterRetained)
	uL := rootSumSquares(levelUL, levelUL, v.BalanceUL/2, math.Sqrt(spilledU2), math.Sqrt(retainedU2))
	return UseCheck{
		Kind: CheckBalance, Fluid: j.Spec.Fresh.Name,
		Value: (v.BalanceL - spilledL - retainedL) / v.DrainedL, U: uL / v.DrainedL, against: j.labelKgM3(),
	}, true
}

// levelsRight reports whether the level was right before the service, and again at the end
// while the check window was open.
func (j *Job) levelsRight() bool {
	before, after := j.recorded(LevelBefore), j.recorded(LevelAfter)
	if before == nil || before.Result != Right || after == nil || after.Result != Right {
		return false
	}
	e, entered := j.last(EnterLevel)
	return (after.Window == Open || after.Window == Closing) && !(entered && e.L != 0)
}

// UseChart follows one check from job to job, to see whether an instrument has moved since
// the first jobs with its calibration. Bottles of another fluid may be filled in another way,
// so that each fluid has charts of its own.
//
// It is an EWMA chart whose centre and standard deviation come from the first jobs
// (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4).
type UseChart struct {
	Kind   UseCheckKind
	Sensor string // empty: the cart's scales together
	Fluid  string
	// Against and CalibratedNs are what the checks rest on. When one of them changes, the
	// chart begins anew.
	Against      float64
	CalibratedNs int64   // when the scale was calibrated last; 0: never
	N            int     // jobs so far
	Mean         float64 // of the first UseFirst
	M2           float64 // sum of their squared distances from it
	Z            float64 // weighted average of the later ones
}

const (
	// UseFirst is how many jobs say what is usual.
	UseFirst = 20
	// UseLambda is the weight of the newest job in the average. The tables of Lucas and
	// Saccucci (Technometrics 32, 1990; from memory) advise about this one for shifts of one
	// standard deviation.
	UseLambda = 0.1
	useSigmas = 3.0
	// The fluids of a cart are fewer. The chart that was longest without a job goes first.
	maxUseCharts = 24
)

// Least is a movement below which nothing needs to be done (common practice, no source):
// 5 mL in 5 L, a film in the caddy, 25 mL in 5 L.
func (k UseCheckKind) Least() float64 {
	switch k {
	case CheckSlope:
		return 0.001
	case CheckZero:
		return 0.02
	}
	return 0.005
}

// add takes the value of the next job.
func (c *UseChart) add(value float64) {
	c.N++
	if c.N <= UseFirst {
		off := value - c.Mean
		c.Mean += off / float64(c.N)
		c.M2 += float64(off * (value - c.Mean))
		c.Z = c.Mean
		return
	}
	c.Z += float64(UseLambda * (value - c.Z))
}

// moved returns by how much the later jobs differ from the first ones; 0 while that may be
// chance, or is too little to matter.
func (c *UseChart) moved() float64 {
	if c.N <= UseFirst {
		return 0
	}
	// The centre itself is the mean of a few jobs only: its variance belongs to the limit.
	const share = UseLambda/(2-UseLambda) + 1.0/UseFirst
	limit := useSigmas * math.Sqrt(c.M2/(UseFirst-1)*share)
	if off := c.Z - c.Mean; math.Abs(off) > max(limit, c.Kind.Least()) {
		return off
	}
	return 0
}

// chart takes the checks of a job that was closed. A job's own figures never use them.
func (s *State) chart() {
	charts := slices.Clone(s.Uses)
	for _, check := range s.UseChecks() {
		next := UseChart{Kind: check.Kind, Sensor: check.Sensor, Fluid: check.Fluid, Against: check.against, CalibratedNs: s.calibratedNs(check.Sensor)}
		if i := slices.IndexFunc(charts, next.follows); i >= 0 {
			if was := charts[i]; was.Against == next.Against && was.CalibratedNs == next.CalibratedNs {
				next = was
			}
			charts = slices.Delete(charts, i, i+1)
		}
		next.add(check.Value)
		charts = append(charts, next)
	}
	s.Uses = charts[max(0, len(charts)-maxUseCharts):]
}

// follows reports whether two charts are about the same.
func (c *UseChart) follows(o UseChart) bool {
	return c.Kind == o.Kind && c.Sensor == o.Sensor && c.Fluid == o.Fluid
}

// calibratedNs returns when a scale was calibrated last, 0 if never. Of the cart's scales
// together it is the newest time.
func (s *State) calibratedNs(sensor string) (ns int64) {
	for i := range s.Scales[:s.ScaleN] {
		setup := &s.Scales[i].Setup
		if c := setup.Calibration; c != nil && (sensor == "" || setup.Sensor == sensor) {
			ns = max(ns, c.AtNs)
		}
	}
	return ns
}

// Moved returns by how much an instrument has moved by one of the charts in Uses, in the
// unit of its checks; 0 while that may be chance. It is 0 as well once the scale was
// calibrated, or the cart has it no more.
func (s *State) Moved(c *UseChart) float64 {
	gone := c.Sensor != "" && s.scale(c.Sensor) == nil
	weighed := c.Kind == CheckZero && c.Against != s.Setup.Caddy.EmptyKg
	if gone || weighed || c.CalibratedNs != s.calibratedNs(c.Sensor) {
		return 0
	}
	return c.moved()
}

// usesMoved lists what the charts say, for people: of the charts of one scale the one whose
// last job is the newest.
func (s *State) usesMoved() (list []Alert) {
	for i := len(s.Uses) - 1; i >= 0; i-- {
		c := &s.Uses[i]
		moved := s.Moved(c)
		if moved != 0 && !slices.ContainsFunc(list, func(a Alert) bool { return a.Sensor == c.Sensor }) {
			list = append(list, c.alert(moved))
		}
	}
	return list
}

// alert says by how much an instrument has moved, and what to do.
func (c *UseChart) alert(moved float64) Alert {
	a := Alert{Code: AlertMoved, Sensor: c.Sensor}
	more, size := "more", math.Abs(moved)
	if moved < 0 {
		more = "less"
	}
	n := names{"sensor": c.Sensor, "fluid": c.Fluid, "more": more}
	switch c.Kind {
	case CheckSlope:
		a.Text = Text{"alert.moved_slope", figures{"moved_pct": 100 * size, "jobs": float64(c.N)}, n}
	case CheckZero:
		a.Text = Text{"alert.moved_zero", figures{"moved_kg": size, "jobs": float64(c.N)}, n}
	default:
		a.Text = Text{"alert.moved_pair", figures{"moved_pct": 100 * size, "jobs": float64(c.N)}, n}
	}
	return a
}
