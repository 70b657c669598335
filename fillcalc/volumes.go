package fillcalc

import "math"

// A scale that does not send for this long is silent.
const ScaleSilentNs = 3e9

// So long a phase waits for the weighing that begins it: in wind that takes a while.
const weighNs = 30e9

// Volumes is the state of the tally at one moment. Litres are at the job's
// reference temperature. A figure that is not known is NaN, and Quality says why.
type Volumes struct {
	Quality Quality // what keeps the tally from being known

	DrainedKg, AddedKg float64 // mass, corrected for buoyancy
	// Volumes and their expanded uncertainties (k = 2).
	DrainedL, DrainedUL   float64
	AddedL, AddedUL       float64
	OverflowL, OverflowUL float64 // fresh fluid that ran out again
	BalanceL, BalanceUL   float64 // added less drained and less overflow: negative while some is missing
	UndecidedL            float64 // sum of the sizes of all undecided and held changes
	DrainedLMin           float64 // flow in litres per minute
	AddedLMin             float64
	CaddyFreeL            float64 // room in the caddy for fluid of the temperature there
}

// Volumes returns the tally at the state's time.
func (s *State) Volumes() Volumes {
	nan := math.NaN()
	v := Volumes{
		DrainedKg: nan, AddedKg: nan, DrainedL: nan, DrainedUL: nan, AddedL: nan, AddedUL: nan,
		OverflowL: nan, OverflowUL: nan, BalanceL: nan, BalanceUL: nan,
		UndecidedL: nan, DrainedLMin: nan, AddedLMin: nan, CaddyFreeL: s.caddyFreeL(),
	}
	v.Quality = s.quality()
	j := &s.Job
	if j.Phase == NoJob {
		return v
	}
	v.UndecidedL = 0
	for i := range j.Changes {
		if c := &j.Changes[i]; c.As == "" {
			v.UndecidedL += math.Abs(s.ChangeL(c))
		}
	}
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.Open && sc.Fast && counts(sc.Setup.Load, j.Phase) {
			kg := sc.LevelKg - sc.Was.at(sc.Was.ToS)
			v.UndecidedL += math.Abs(s.changeL(kg, j.tallyOf(sc.Setup.Load, kg)))
		}
	}
	if s.live(DrainedTally) {
		v.DrainedKg = s.shownKg(DrainedTally) * j.UsedFactor
		v.DrainedL = v.DrainedKg / j.UsedKgM3 * 1000
		v.DrainedUL = 2 * math.Sqrt(s.budget(DrainedTally).U2())
		v.DrainedLMin = s.flowKgS(DrainedTally) * 60 * j.UsedFactor / j.UsedKgM3 * 1000
	}
	if s.live(OverflowTally) {
		v.OverflowL = s.shownKg(OverflowTally) * j.FreshFactor / j.FreshKgM3 * 1000
		v.OverflowUL = 2 * math.Sqrt(s.budget(OverflowTally).U2())
	}
	switch {
	case !s.suppliesWeighed():
		v.AddedL, v.AddedUL = s.bottles(0, math.MaxInt64)
		v.AddedKg = v.AddedL * j.FreshKgM3 / 1000
	case s.live(AddedTally):
		v.AddedKg = s.shownKg(AddedTally) * j.FreshFactor
		v.AddedL = v.AddedKg / j.FreshKgM3 * 1000
		v.AddedUL = 2 * math.Sqrt(s.budget(AddedTally).U2())
		v.AddedLMin = s.flowKgS(AddedTally) * 60 * j.FreshFactor / j.FreshKgM3 * 1000
	}
	v.BalanceL = v.AddedL - v.OverflowL - v.DrainedL
	if !math.IsNaN(v.BalanceL) {
		v.BalanceUL = 2 * math.Sqrt(s.BalanceBudget().U2())
	}
	return v
}

// AsItLiesL converts a volume from the job's reference temperature to another
// temperature in °C.
func (s *State) AsItLiesL(f Fluid, referenceL, celsius float64) (litres float64, err error) {
	ref, err := f.Density(s.Job.ReferenceC)
	if err != nil {
		return 0, err
	}
	at, err := f.Density(celsius)
	if err != nil {
		return 0, err
	}
	return referenceL * (ref / at), nil
}

// quality returns the first reason why the tally is not known.
func (s *State) quality() Quality {
	j := &s.Job
	switch {
	case j.Phase == NoJob:
		return Quality{Code: QualityNoJob}
	case j.Phase == Closed && j.Unread:
		return Quality{Code: QualityClosedUnmeasured, Why: j.Why}
	}
	phase := j.Phase
	if phase == Ready {
		phase = Draining // the scales that the next phase needs
	}
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if !counts(sc.Setup.Load, phase) {
			continue // it is not needed now
		}
		if q := s.scaleQuality(sc); !q.Good() {
			return q
		}
		l := &j.Ledgers[i]
		switch weighing := l.MarkN > 0 && l.mark().RestN == 0 && s.NowNs-l.mark().AtNs < weighNs; {
		case l.Off > 0:
			return aboutScale(QualityAway, sc.Setup.Sensor)
		case sc.Open && sc.Fast, weighing:
			return aboutScale(QualitySettling, sc.Setup.Sensor)
		}
	}
	return Quality{Code: QualityGood}
}

// scaleQuality says whether a scale can be read now. A job does not know what was heard
// before it was opened: silence counts from then.
func (s *State) scaleQuality(sc *Scale) Quality {
	code := QualityGood
	switch {
	case s.NowNs-max(sc.FrameNs, s.Job.OpenedNs) > ScaleSilentNs:
		code = QualitySilent
	case sc.Faults&FaultOverload != 0:
		code = QualityOverload
	case sc.Faults&FaultUnderload != 0:
		code = QualityUnderload
	case sc.Faults.Hidden():
		code = QualityDamaged
	case sc.N == 0:
		code = QualityUnsettled
	}
	return aboutScale(code, sc.Setup.Sensor)
}

func (s *State) silent(sc *Scale) bool {
	return sc.LastNs == 0 || s.NowNs-sc.LastNs > ScaleSilentNs
}

// feeding reports whether a scale's present stream goes to an account.
func (s *State) feeding(sc *Scale, t Tally) bool {
	return counts(sc.Setup.Load, s.Job.Phase) && s.Job.feeds(sc.Setup.Load) == t
}

// live reports whether an account is known now. It is not known while the scale
// that feeds it cannot be read; an account that no scale feeds now is known.
func (s *State) live(t Tally) bool {
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; s.feeding(sc, t) && (s.silent(sc) || sc.N == 0) {
			return false
		}
	}
	return true
}

// flowKgS returns the flow into an account now, in kg/s as the scale shows it.
func (s *State) flowKgS(t Tally) float64 {
	flow := 0.0
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; s.feeding(sc, t) && !sc.Fast {
			flow += float64(t.sign() * sc.FlowKgS)
		}
	}
	return flow
}

// fluid returns the fluid of an account.
func (s *State) fluid(t Tally) Fluid {
	if t == DrainedTally {
		return s.Job.Spec.Used
	}
	return s.Job.Spec.Fresh
}

// kgM3 returns the density of that fluid at the reference temperature.
func (s *State) kgM3(t Tally) float64 {
	if t == DrainedTally {
		return s.Job.UsedKgM3
	}
	return s.Job.FreshKgM3
}

// factor returns the mass of that fluid over the weight shown.
func (s *State) factor(t Tally) float64 {
	if t == DrainedTally {
		return s.Job.UsedFactor
	}
	return s.Job.FreshFactor
}

// suppliesWeighed reports whether a scale weighs the fresh fluid.
func (s *State) suppliesWeighed() bool {
	for _, sc := range s.Setup.Scales {
		if sc.Load != CaddyLoad {
			return true
		}
	}
	return false
}

// bottles returns the sum of the bottles entered from one time to another, in litres at the reference
// temperature, and its expanded uncertainty (k = 2). A label states the volume at
// 20 °C, whatever the reference.
func (s *State) bottles(fromNs, toNs int64) (litres, expandedL float64) {
	var poured []Bottle
	for _, e := range s.Job.Entries {
		if e.What == EnterBottle && e.AtNs >= fromNs && e.AtNs < toNs {
			poured = append(poured, Bottle{SizeL: e.L, Share: e.Share})
		}
	}
	litres, u, err := BottlesAdded(poured)
	if err != nil {
		return math.NaN(), math.NaN()
	}
	labelL, err := s.AsItLiesL(s.Job.Spec.Fresh, 1, labelC)
	if err != nil {
		return math.NaN(), math.NaN()
	}
	return litres / labelL, 2 * (u / labelL)
}

// caddyFreeL returns the room left in the caddy for fluid of the temperature
// there, or of the reference temperature if that is not known; NaN if the caddy's
// capacity or weight is not known.
func (s *State) caddyFreeL() float64 {
	if s.Setup.Caddy.HoldsL == 0 || s.Job.UsedKgM3 == 0 {
		return math.NaN()
	}
	kgM3 := s.Job.UsedKgM3
	if c := s.CaddyC(); !math.IsNaN(c) {
		if warm, err := s.Job.Spec.Used.Density(c); err == nil {
			kgM3 = warm
		}
	}
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.Setup.Load == CaddyLoad && s.scaleQuality(sc).Good() {
			return s.Setup.Caddy.HoldsL - float64((sc.LevelKg-s.Setup.Caddy.EmptyKg)*s.Job.UsedFactor/kgM3*1000)
		}
	}
	return math.NaN()
}

// ChangeL returns the size of a change in litres at the reference temperature, as if it
// were fluid.
func (s *State) ChangeL(c *Change) float64 {
	sc := s.scale(c.Sensor)
	if sc == nil {
		return math.NaN()
	}
	return s.changeL(c.Kg, s.Job.tallyOf(sc.Setup.Load, c.Kg))
}

func (s *State) changeL(kg float64, t Tally) float64 { return kg * s.factor(t) / s.kgM3(t) * 1000 }
