package cart

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// usedSpreadU is the relative standard uncertainty that use adds to a fluid's
// density: a rectangle of ±0.3 % (common practice, no source).
const usedSpreadU = 0.0017

// meansAnotherStep refuses a decision on a step that is not the one its sender
// saw: what was measured in the last moment before a power cut is gone, and the
// next step takes the number.
func meansAnotherStep(c *wire.Command, steps []fillcalc.Step) error {
	if c.StepAt == "" {
		return nil
	}
	if at := wire.Timestamp(steps[*c.Step-1].AtNs); at != c.StepAt {
		return fmt.Errorf("step_at: step %d is the one at %s, not at %.40q: look at the job again", *c.Step, at, c.StepAt)
	}
	return nil
}

// input turns a command into what the fold eats. Fluids are those of the
// configuration and those measured on this cart. nowNs names a job that was not
// given a name.
func inputOf(c *wire.Command, lookedUp *config.ServiceData, fluids map[string]fillcalc.Fluid, measured []fillcalc.Fluid, nowNs int64) (*fillcalc.Input, error) {
	in := &fillcalc.Input{Do: fillcalc.Do(c.Do), ID: c.ID, By: c.By, Why: c.Why,
		Phase: fillcalc.Phase(c.Phase), As: fillcalc.Decision(c.As)}
	if c.Step != nil {
		in.Step = *c.Step
	}
	if c.Gone != nil {
		in.Gone = *c.Gone
	}
	switch c.Do {
	case "open":
	case "enter":
		in.Entry = &fillcalc.Entry{What: fillcalc.What(c.What), L: c.L, UL: c.UL, Share: c.Share}
		return in, nil
	case "record":
		r := &fillcalc.Record{Item: fillcalc.Item(c.Item), Result: fillcalc.Result(c.Result), Count: c.Count, Note: c.Note}
		for _, t := range []struct {
			field, written string
			into           *float64
		}{{"specified", c.Specified, &r.SpecifiedNM}, {"applied", c.Applied, &r.AppliedNM}} {
			if t.written == "" {
				continue
			}
			nm, err := units.Written(t.written).NewtonMetres()
			if err != nil {
				return nil, fmt.Errorf("%s: %w", t.field, err)
			}
			*t.into = nm
		}
		if r.Written = c.Applied; c.Specified != "" {
			r.Written = c.Applied + " of " + c.Specified
		}
		in.Record = r
		return in, nil
	case "cleared":
		in.Sensor, in.Before, in.Unseen = c.Sensor, c.Before, fillcalc.Unseen(c.Unseen)
		return in, nil
	case "gear":
		in.Gear = c.Gear
		return in, nil
	case "weigh", "density":
		if _, configured := fluids[c.Fluid]; configured {
			return nil, fmt.Errorf("fluid: %q is configured already, give the measured one another name", c.Fluid)
		}
		in.Weighing = &fillcalc.Weighing{Sensor: c.Sensor, Fluid: c.Fluid, Litres: c.L, TolerancePct: c.TolerancePct}
		return in, nil
	default:
		return in, nil
	}
	data := fillcalc.JobSpec{FirstFill: 0.8}
	if lookedUp != nil {
		data = lookedUp.Spec()
	}
	spec := &fillcalc.JobSpec{
		ID: c.Job, Vehicle: cmp.Or(c.Vehicle, data.Vehicle), ServiceData: data.ServiceData, Source: data.Source, BoltTorqueNM: data.BoltTorqueNM,
		LowC: *cmp.Or(c.LowC, &data.LowC), HighC: *cmp.Or(c.HighC, &data.HighC), FirstFill: *cmp.Or(c.FirstFill, &data.FirstFill),
		Check: cmp.Or(fillcalc.CheckMethod(c.Check), data.Check), TypicalL: cmp.Or(c.TypicalL, data.TypicalL),
		TotalL: cmp.Or(c.TotalL, data.TotalL), BottleL: cmp.Or(c.BottleL, data.BottleL),
		BetweenMarksL: cmp.Or(c.BetweenMarksL, data.BetweenMarksL), BalanceBandL: c.BalanceBandL,
		AskedFluid: cmp.Or(c.AskedFluid, data.AskedFluid), OtherFluid: c.OtherFluid, OtherFluidBy: c.By,
	}
	if c.OtherFluid == "" {
		spec.OtherFluidBy = ""
	}
	if spec.ID == "" {
		spec.ID = time.Unix(0, nowNs).UTC().Format("20060102-150405")
	}
	fresh, used := cmp.Or(c.Fluid, data.AskedFluid), c.UsedFluid
	if used == "" {
		// Most probably the same fluid, but no longer as its sheet says.
		used, spec.UsedSpreadU = fresh, usedSpreadU
	}
	for _, f := range []struct {
		field, name string
		into        *fillcalc.Fluid
	}{{"fluid", fresh, &spec.Fresh}, {"used_fluid", used, &spec.Used}} {
		fluid, ok := fluids[f.name]
		if i := slices.IndexFunc(measured, func(m fillcalc.Fluid) bool { return m.Name == f.name }); i >= 0 && !ok {
			fluid, ok = measured[i], true
		}
		if !ok {
			var names []string
			for _, m := range measured {
				names = append(names, m.Name)
			}
			for name := range fluids {
				names = append(names, name)
			}
			slices.Sort(names)
			return nil, fmt.Errorf("%s: %.40q is not configured, known are %s", f.field, f.name, strings.Join(names, ", "))
		}
		*f.into = fluid
	}
	in.Job = spec
	return in, nil
}
