package closing

import (
	"math"

	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// Record is the closing record of a job, as far as the shop's account needs it. A volume
// that is not known is NaN.
type Record struct {
	Shop, Cart, Job string
	EndedNs         int64
	Phase           fillcalc.Phase // closed or abandoned
	ServiceData     string         // empty: none was used
	Fluid           string         // the fresh one
	Passes          int64          // how many times the transmission was drained
	OutL            float64        // drained, spilled and retained
	TargetL         float64
	DrainedL        float64
	AddedL          float64
	OverflowL       float64 // fresh fluid that ran out at the check opening
	Level           fillcalc.Result
}

// Of reads a closing record from the journal or the history.
func Of(shop, cart string, p *points.Point) Record {
	text := func(name string) string { v, _ := p.Fields[name].(string); return v }
	litres := func(name string) float64 {
		if v, known := p.Fields[name].(float64); known {
			return v
		}
		return math.NaN()
	}
	passes, _ := p.Fields["passes"].(int64)
	return Record{
		Shop: shop, Cart: cart, Job: text("job"), EndedNs: p.AtNs, Phase: fillcalc.Phase(text("phase")), ServiceData: text("service_data"), Fluid: text("fluid"),
		Passes: passes, OutL: litres("out_l"), TargetL: litres("target_l"), DrainedL: litres("drained_l"), AddedL: litres("added_l"), OverflowL: litres("overflow_l"),
		Level: fillcalc.Result(text("level")),
	}
}

// FreshL is how much fresh fluid the job has used: of an abandoned one too.
func (r *Record) FreshL() float64 { return known(r.AddedL) }

// WasteL is how much the job has collected in the caddy.
func (r *Record) WasteL() float64 { return known(r.DrainedL) + known(r.OverflowL) }

// known is a volume of which nothing counts when it is not known or is only noise.
func known(litres float64) float64 {
	if litres > 0 {
		return litres
	}
	return 0
}
