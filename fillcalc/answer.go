package fillcalc

import (
	"math"
	"slices"
)

// Clear is a clear weighing: a person's word that only the container and its fluid
// stand on a scale, what the account had shown until then, and what it shows by the
// next rest.
type Clear struct {
	Sensor    string
	AtNs      int64
	Changes   int // known then
	By        string
	LiveKg    float64
	SettledKg float64
	Settled   bool
}

// clingsKg is the fluid that clings to an empty bottle (common practice, no source).
const clingsKg = 0.009

// Asks reports whether a person must say what a change was. Of a group the last one
// asks; what is too light to ask about is left to the weighings.
func (c *Change) Asks() bool {
	return c.As == "" && (c.Last == 0 || c.Last == c.ID) && math.Abs(c.Kg) >= leastKg
}

// doubtful reports whether a person's word about a change of a scale contradicts the signal: a
// hand is quick, so what it takes has another end; a push is slow; and a container that comes
// where fluid runs to had gone.
func (j *Job) doubtful(load Load, c *Change) bool {
	if c.Said == "" || c.Last > 0 || j.bottle(-c.Kg) {
		return false
	}
	switch c.As {
	case AsBottle:
		return true // it is heavier than a full one
	case AsGone:
		return !c.Slow
	case AsThing:
		return c.Slow
	case AsContainer:
		went := func(o Change) bool { return o.Sensor == c.Sensor && o.ID < c.ID && o.Kg < 0 && o.As == AsContainer }
		return c.Kg > 0 && c.Cause != Away && j.wayAt(load, c.AtNs) > 0 && !slices.ContainsFunc(j.Changes, went)
	}
	return false
}

// Questions lists the changes of which a person must say what they were: since they
// happened, somebody has said that only the container and its fluid stand there.
func (s *State) Questions() (list []Change) {
	for i := range s.Job.Changes {
		c := &s.Job.Changes[i]
		for k := range s.Scales[:s.ScaleN] {
			if s.Scales[k].Setup.Sensor == c.Sensor && c.Asks() && s.Job.Ledgers[k].ClearN >= c.ID {
				list = append(list, *c)
			}
		}
	}
	return list
}

// labels lists all answers.
var labels = []Label{AsFluid, AsGone, AsThing, AsContainer, AsBottle}

func checkAnswer(s *State, in *Input) error {
	j := &s.Job
	if len(j.Changes) == 0 {
		return refused("change", "refuse.no_changes", nil, nil)
	}
	if in.Change < 1 || in.Change > len(j.Changes) {
		return refused("change", "refuse.no_such_change", figures{"change": float64(in.Change), "count": float64(len(j.Changes))}, nil)
	}
	switch c := &j.Changes[in.Change-1]; {
	case !slices.Contains(labels, in.As):
		return notOneOf("as", in.As, labels...)
	case in.As == AsBottle && c.Kg > 0:
		return refused("as", "refuse.no_bottle", figures{"change": float64(c.ID)}, names{"sensor": c.Sensor})
	case in.As == AsFluid && s.againstWay(c):
		return refused("as", "refuse.no_fluid", figures{"change": float64(c.ID), "change_kg": c.Kg}, names{"sensor": c.Sensor})
	}
	return nil
}

// againstWay reports whether a change went against the only way that fluid goes on its scale.
func (s *State) againstWay(c *Change) bool {
	sc := s.scale(c.Sensor)
	return sc != nil && (sc.Setup.Load == CaddyLoad && c.Kg < 0 || sc.Setup.Load == SupplyLoad && c.Kg > 0)
}

// applyAnswer labels a change, with all of its group. Any answer can be changed until the
// job is closed: an account is a sum over the changes and their labels.
func applyAnswer(s *State, in *Input) {
	j := &s.Job
	j.Changes = slices.Clone(j.Changes)
	asked := j.Changes[in.Change-1]
	with := asked.ID
	if asked.Last > 0 {
		with = asked.Last
	}
	again := asked.As != "" && asked.SaidWith > 0
	if again {
		with = asked.SaidWith
	}
	for i := range j.Changes {
		c := &j.Changes[i]
		if c.ID == in.Change || c.Sensor == asked.Sensor && (again && c.SaidWith == with || !again && c.As == "" && c.Last > 0 && c.Last == asked.Last) {
			c.Said, c.By, c.SaidWith, c.SaidNs = in.As, in.By, with, s.NowNs
		}
	}
	for i := range s.Scales[:s.ScaleN] {
		if s.Scales[i].Setup.Sensor == j.Changes[in.Change-1].Sensor {
			j.Ledgers[i].Drip.LowOK = false
			s.match(i)
		}
	}
}

func checkClear(s *State, in *Input) error {
	if in.Sensor != "" && s.scale(in.Sensor) == nil {
		return refused("sensor", "refuse.no_such_scale", nil, names{"typed": in.Sensor})
	}
	return s.checkStands(in.Sensor, s.Job.Phase)
}

// checkStands returns an error if a scale that counts in a phase cannot be weighed now.
func (s *State) checkStands(sensor string, phase Phase) error {
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if sensor != "" && sensor != sc.Setup.Sensor || !counts(sc.Setup.Load, phase) || s.silent(sc) || sc.Faults.Hidden() {
			continue
		}
		switch {
		case s.Job.Ledgers[i].Off > 0:
			return refused("do", "refuse.container_off", nil, names{"scale": string(sc.Setup.Load)})
		case sc.Open:
			return refused("do", "refuse.not_settled", nil, names{"scale": string(sc.Setup.Load)})
		}
	}
	return nil
}

func applyClear(s *State, in *Input) { s.clear(in.Sensor, in.By) }

// clear takes a person's word that only the container and its fluid stand on the scales
// that count. What has not gone, or had not come, is asked.
func (s *State) clear(sensor, by string) {
	j := &s.Job
	j.Clears = slices.Clone(j.Clears)
	for i := range s.Scales[:s.ScaleN] {
		sc, l := &s.Scales[i], &j.Ledgers[i]
		if sensor != "" && sensor != sc.Setup.Sensor || l.MarkN == 0 {
			continue
		}
		l.ClearNs, l.ClearN = s.NowNs, len(j.Changes)
		if len(j.Clears) < maxEntries {
			j.Clears = append(j.Clears, Clear{Sensor: sc.Setup.Sensor, AtNs: s.NowNs, Changes: len(j.Changes), By: by, LiveKg: s.shownKg(l.mark().Into)})
		}
		s.match(i)
	}
}

// correct records what a clear weighing changed, once the scale rests.
func (s *State) correct(i int) {
	j, sc := &s.Job, &s.Scales[i]
	for k := len(j.Clears) - 1; k >= 0; k-- {
		if c := &j.Clears[k]; c.Sensor == sc.Setup.Sensor {
			if !c.Settled {
				j.Clears = slices.Clone(j.Clears)
				j.Clears[k].SettledKg, j.Clears[k].Settled = s.shownKg(j.Ledgers[i].mark().Into), true
			}
			return
		}
	}
}
