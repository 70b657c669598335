package fillcalc

import "math"

// Volumes is what there is to say about fluid at one moment. Litres are at the
// reference temperature. What is not known is NaN, and Quality says why.
type Volumes struct {
	Quality string // "good", or what stands in the way

	DrainedKg, AddedKg float64 // mass, buoyancy corrected
	// Volume and its expanded uncertainty (k = 2).
	DrainedL, DrainedUL float64
	AddedL, AddedUL     float64
	BalanceL, BalanceUL float64 // added less drained: negative while some is missing
	UndecidedL          float64 // sum of the undecided steps' sizes, whatever their sign
	DrainedLMin         float64
	AddedLMin           float64
	RemainingL          float64 // still to pour: up to the first fill before the engine runs, to the whole afterwards
	CaddyFreeL          float64
}

// FirstFillL is how much to pour before the first engine start.
func (v Volumes) FirstFillL(spec JobSpec) float64 { return spec.FirstFill * v.DrainedL }

// Volumes works out the tally at the state's time.
func (s *State) Volumes() Volumes {
	nan := math.NaN()
	v := Volumes{
		DrainedKg: nan, AddedKg: nan, DrainedL: nan, DrainedUL: nan, AddedL: nan, AddedUL: nan,
		BalanceL: nan, BalanceUL: nan, UndecidedL: nan, DrainedLMin: nan, AddedLMin: nan,
		RemainingL: nan, CaddyFreeL: nan,
	}
	v.Quality = s.quality()
	j := &s.Job
	if j.Phase == NoJob {
		return v
	}
	drained, drainedLive := s.side(DrainedTally)
	added, addedLive := s.side(AddedTally)

	v.UndecidedL = 0
	for _, step := range j.Steps {
		if step.As == "" {
			v.UndecidedL += float64(math.Abs(step.Kg) / s.kgM3(step.Tally) * 1000)
		}
	}
	if drainedLive {
		v.DrainedKg = drained.kg
		v.DrainedL = drained.litres()
		v.DrainedUL = 2 * math.Sqrt(drained.variance())
		v.DrainedLMin = drained.flowKgS * 60 / drained.kgM3 * 1000
		v.CaddyFreeL = s.caddyFreeL()
	}
	if addedLive {
		v.AddedKg = added.kg
		v.AddedL = added.litres()
		v.AddedUL = 2 * math.Sqrt(added.variance())
		v.AddedLMin = added.flowKgS * 60 / added.kgM3 * 1000
	}
	v.BalanceL = v.AddedL - v.DrainedL
	v.BalanceUL = 2 * math.Sqrt(s.balanceVariance(drained, added))
	if math.IsNaN(v.BalanceL) {
		v.BalanceUL = nan
	}
	switch j.Phase {
	case Ready, Draining, Service, Filling:
		v.RemainingL = float64(j.Spec.FirstFill*v.DrainedL) - v.AddedL
	default:
		v.RemainingL = v.DrainedL - v.AddedL
	}
	return v
}

// AsItLiesL is a volume, known at the reference temperature, at another one.
func (s *State) AsItLiesL(f Fluid, referenceL, celsius float64) (litres float64, err error) {
	ref, err := f.Density(s.Setup.ReferenceC)
	if err != nil {
		return 0, err
	}
	at, err := f.Density(celsius)
	if err != nil {
		return 0, err
	}
	return referenceL * (ref / at), nil
}

// quality names the first thing that keeps the tally from being known.
func (s *State) quality() string {
	if s.Job.Phase == NoJob {
		return "no job was opened yet"
	}
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if s.Job.Phase.Open() && tallyOf(sc.Setup.Load, s.Job.Phase) == NoTally {
			continue // its silence harms nothing now
		}
		switch name := sc.Setup.Sensor; {
		case !s.Job.Phase.Open():
		case sc.Faults&FaultOverload != 0:
			return "scale " + name + " is overloaded"
		case sc.Faults&FaultUnderload != 0:
			return "scale " + name + " is below its range"
		case s.silent(sc):
			return "scale " + name + " is silent"
		case !sc.Anchored:
			return "scale " + name + " has not settled yet"
		case sc.Faults.Hidden():
			return "scale " + name + " sends damaged frames"
		case sc.Follow == stepping:
			return "scale " + name + " is settling"
		}
	}
	return "good"
}

func (s *State) silent(sc *Scale) bool {
	return sc.LastNs == 0 || sc.Follow == lost || s.NowNs-sc.LastNs > scaleSilentNs
}

// side is one account with all that its volume and uncertainty need.
type side struct {
	kg         float64 // mass
	kgM3       float64 // at the reference temperature
	flowKgS    float64
	readingsU2 float64 // kg²: display steps and repeatability of all weighings involved
	gainU      float64 // relative
	densityU   float64 // relative
	stepsU2    float64 // kg²: undecided steps
}

func (d side) litres() float64 { return d.kg / d.kgM3 * 1000 }

// variance of the volume, in square litres (GUM 5.1.2: independent inputs).
func (d side) variance() float64 {
	l := d.litres()
	perKg := 1000 / d.kgM3
	return float64((d.readingsU2+d.stepsU2)*float64(perKg*perKg)) +
		float64(float64(l*l)*(float64(d.gainU*d.gainU)+float64(d.densityU*d.densityU)))
}

// side gathers an account. live is false when a scale that feeds it cannot be
// read now, or the cart has none.
func (s *State) side(t Tally) (d side, live bool) {
	j := &s.Job
	a := j.account(t)
	shown := a.ShownKg
	live = true
	fed := false
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		load := sc.Setup.Load
		if load != BothLoad && (load == CaddyLoad) != (t == DrainedTally) {
			continue
		}
		fed = true
		// One settled weighing: the display's rounding (GUM F.2.2.1) and the scatter.
		u2 := float64(sc.Setup.ResolutionKg*sc.Setup.ResolutionKg)/12 +
			float64(sc.Setup.RepeatabilityKg*sc.Setup.RepeatabilityKg)
		d.readingsU2 += float64(u2 * float64(2+2*a.Breaks))
		d.gainU = sc.Setup.GainU
		counting := tallyOf(load, j.Phase)
		if sc.Follow == stepping {
			counting = sc.StepTally
		}
		if counting != t {
			continue // the account rests: it is known whatever the scale does
		}
		if s.silent(sc) || sc.Faults.Hidden() || !sc.Anchored {
			live = false
			continue
		}
		rise := sc.unbooked()
		flow := 0.0
		if sc.Follow == following {
			flow = sc.flowKgS()
		}
		if t == AddedTally {
			rise, flow = -rise, -flow
		}
		shown += rise
		d.flowKgS += flow
	}
	for _, step := range j.Steps {
		if step.As == "" && step.Tally == t {
			// Anything between nothing and all of it may have been fluid.
			d.stepsU2 += float64(step.Kg*step.Kg) / 3
		}
	}
	d.kgM3 = s.kgM3(t)
	d.kg = shown * j.UsedFactor
	d.densityU = j.Spec.Used.DensityU
	if t == AddedTally {
		d.kg = shown * j.FreshFactor
		d.densityU = j.Spec.Fresh.DensityU
	}
	return d, live && fed
}

func (s *State) kgM3(t Tally) float64 {
	if t == AddedTally {
		return s.Job.FreshKgM3
	}
	return s.Job.UsedKgM3
}

// balanceVariance takes into account what drained and added share: a scale that
// carries both has one slope, and the same fluid has one density, so those
// errors act on the difference only (GUM 5.2.2 with r = 1).
func (s *State) balanceVariance(drained, added side) float64 {
	v := drained.variance() + added.variance()
	if s.ScaleN == 1 && s.Scales[0].Setup.Load == BothLoad {
		v -= float64(2 * float64(drained.litres()*added.litres()) * float64(drained.gainU*added.gainU))
	}
	if s.Job.Spec.Used.Name == s.Job.Spec.Fresh.Name {
		v -= float64(2 * float64(drained.litres()*added.litres()) * float64(drained.densityU*added.densityU))
	}
	return math.Max(v, 0)
}

// caddyFreeL is the room left in the caddy, at the density of the used fluid.
func (s *State) caddyFreeL() float64 {
	if s.Setup.Caddy.HoldsL == 0 {
		return math.NaN()
	}
	for i := range s.Scales[:s.ScaleN] {
		if sc := &s.Scales[i]; sc.Setup.Load == CaddyLoad {
			fluidKg := (sc.LevelKg - s.Setup.Caddy.EmptyKg) * s.Job.UsedFactor
			return s.Setup.Caddy.HoldsL - float64(fluidKg/s.Job.UsedKgM3*1000)
		}
	}
	return math.NaN()
}

// StepL is a step's size in litres at the reference temperature, if it was
// fluid.
func (s *State) StepL(step Step) float64 {
	factor := s.Job.UsedFactor
	if step.Tally == AddedTally {
		factor = s.Job.FreshFactor
	}
	return step.Kg * factor / s.kgM3(step.Tally) * 1000
}
