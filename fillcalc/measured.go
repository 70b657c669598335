package fillcalc

import (
	"errors"
	"math"
	"slices"
)

// Weighing asks for a fluid's density from a known volume: a full labelled bottle
// that stands on a scale and is emptied, or is poured into something on it.
type Weighing struct {
	Sensor string `json:"sensor"`
	// Fluid is the name for the measured fluid.
	Fluid string `json:"fluid,omitempty"`
	// Litres on the label at 20 °C, and the half-width of its tolerance in percent; 0
	// means that of packaged goods.
	Litres       float64 `json:"litres,omitempty"`
	TolerancePct float64 `json:"tolerance_pct,omitempty"`
}

// Weighed is the level at which such a measurement began.
type Weighed struct {
	Sensor string
	FromKg float64
}

// labelC is the temperature at which bottle labels hold (OIML R 87, from memory).
const labelC = 20

func (s *State) scale(sensor string) *Scale {
	for i := range s.Scales[:s.ScaleN] {
		if s.Scales[i].Setup.Sensor == sensor {
			return &s.Scales[i]
		}
	}
	return nil
}

func (s *State) startWeighing(w *Weighing) {
	s.Weighed = Weighed{w.Sensor, s.scale(w.Sensor).Rest.Kg}
}

func (s *State) addMeasured(w *Weighing) {
	fluid, _, _ := s.fieldDensity(w) // Check has found no error
	s.Measured = slices.DeleteFunc(slices.Clone(s.Measured), func(f Fluid) bool { return f.Name == w.Fluid })
	s.Measured = append(s.Measured, fluid)
	s.Weighed = Weighed{}
}

func (s *State) fieldDensity(w *Weighing) (Fluid, DensityBudget, error) {
	sc := s.scale(w.Sensor)
	kg := math.Abs(sc.Rest.Kg - s.Weighed.FromKg)
	slopeU := float64(kg * sc.Setup.gainU(s.NowNs))
	fluid, budget, err := FieldDensity(FieldWeighing{
		ShownKg: kg, ShownUKg: math.Sqrt(float64(2*sc.Rest.U2) + float64(slopeU*slopeU)),
		Litres: w.Litres, TolerancePct: w.TolerancePct, AtC: labelC, AirKgM3: s.Setup.AirKgM3,
	})
	fluid.Name = w.Fluid
	return fluid, budget, err
}

func (s *State) checkWeighing(do Do, w *Weighing) error {
	if w == nil {
		return errors.New("sensor: is required")
	}
	sc := s.scale(w.Sensor)
	if sc == nil {
		return refused("sensor", "refuse.no_such_scale", nil, names{"typed": w.Sensor})
	}
	if s.Job.Phase.Open() && counts(sc.Setup.Load, s.Job.Phase) {
		return refused("sensor", "refuse.scale_counts", nil, names{"sensor": w.Sensor, "job": s.Job.Spec.ID})
	}
	if fault := s.scaleQuality(sc); !fault.Good() {
		return refused("sensor", "refuse.scale_fault", nil, names{"sensor": w.Sensor, "fault": string(fault.Code)})
	}
	if !sc.Rest.Now {
		return refused("sensor", "refuse.not_settled", nil, names{"scale": string(sc.Setup.Load)})
	}
	if do == DoWeigh {
		return nil
	}
	if s.Weighed.Sensor != w.Sensor {
		return refused("do", "refuse.weigh_first", nil, names{"sensor": w.Sensor})
	}
	if w.Fluid == "" {
		return refused("fluid", "refuse.missing", nil, names{"field": "fluid"})
	}
	if math.Abs(sc.Rest.Kg-s.Weighed.FromKg) <= float64(sure*math.Sqrt(2*sc.Rest.U2)) {
		return refused("do", "refuse.not_emptied", nil, names{"sensor": w.Sensor})
	}
	if _, _, err := s.fieldDensity(w); err != nil {
		return refused("l", "refuse.no_oil", figures{"went_kg": math.Abs(sc.Rest.Kg - s.Weighed.FromKg), "size_l": w.Litres}, nil)
	}
	return nil
}
