package cart

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// usedSpreadU is the relative standard uncertainty that use adds to a fluid's
// density: a rectangle of ±0.3 % (common practice, no source).
const usedSpreadU = 0.0017

// firstFill is the fraction of the target to pour before the engine first starts,
// unless the service data or the command say otherwise.
const firstFill = 0.8

// inputOf converts a command to an input of the fold. Service data, if given, supply
// what a command that opens a job leaves out. A fluid is a configured one or one that
// was measured on this cart. nowNs gives a name to a job that has none.
func inputOf(c *wire.Command, data *config.ServiceData, fluids map[string]fillcalc.Fluid, measured []fillcalc.Fluid, nowNs int64) (*fillcalc.Input, error) {
	in := new(fillcalc.Input)
	if c.Do == string(fillcalc.DoOpen) {
		in.Job = &fillcalc.JobSpec{FirstFill: firstFill}
		if data != nil {
			spec := data.Spec()
			in.Job = &spec
		}
	}
	c.Fill(in)
	switch in.Do {
	case fillcalc.DoOpen:
		known := maps.Clone(fluids)
		for _, f := range measured {
			if _, configured := known[f.Name]; !configured {
				known[f.Name] = f
			}
		}
		return in, completeSpec(in.Job, c, known, nowNs)
	case fillcalc.DoDensity:
		if _, configured := fluids[in.Weighing.Fluid]; configured {
			return nil, refuse("fluid", "refuse.fluid_exists", nil, map[string]string{"typed": in.Weighing.Fluid})
		}
	}
	return in, nil
}

// completeSpec adds the job's name, unless it has one, and its fluids.
func completeSpec(spec *fillcalc.JobSpec, c *wire.Command, fluids map[string]fillcalc.Fluid, nowNs int64) error {
	if spec.ID == "" {
		spec.ID = time.Unix(0, nowNs).UTC().Format("20060102-150405")
	}
	fresh, used := cmp.Or(c.Text("fluid"), spec.AskedFluid), c.Text("used_fluid")
	if used == "" {
		// Probably the same fluid, but no longer as on its data sheet.
		used, spec.UsedSpreadU = fresh, usedSpreadU
	}
	for _, f := range []struct {
		field, name string
		into        *fillcalc.Fluid
	}{{"fluid", fresh, &spec.Fresh}, {"used_fluid", used, &spec.Used}} {
		fluid, ok := fluids[f.name]
		if !ok {
			names := map[string]string{"field": f.field, "typed": fmt.Sprintf("%.40s", f.name), "known": strings.Join(slices.Sorted(maps.Keys(fluids)), ", ")}
			return refuse(f.field, "refuse.unknown_fluid", nil, names)
		}
		*f.into = fluid
	}
	return nil
}

// sameChange refuses an answer about a change other than the one that its sender saw: a
// power cut loses the last moment's readings, and the next change then gets the number of
// the lost one.
func sameChange(in *fillcalc.Input, changeAt string, changes []fillcalc.Change) error {
	if changeAt == "" {
		return nil
	}
	if at := wire.Timestamp(changes[in.Change-1].AtNs); at != changeAt {
		return refuse("change_at", "refuse.other_change", map[string]float64{"change": float64(in.Change)}, map[string]string{"at": at, "typed": fmt.Sprintf("%.40s", changeAt)})
	}
	return nil
}
