package closing

import "bayfill/bridge/config"

// Stock is what the shop should have now: what it has counted and bought, less what its jobs
// have used.
type Stock struct {
	Fluids []FluidStock `json:"fluids"`
	Waste  *WasteStock  `json:"waste"` // nil: no container is configured
}

// FluidStock is the stock of one fluid, in litres.
type FluidStock struct {
	Fluid   string  `json:"fluid"`
	HadL    float64 `json:"had_l"` // counted, and bought since
	UsedL   float64 `json:"used_l"`
	LeftL   float64 `json:"left_l"` // below zero: it was counted or bought wrongly
	LowL    float64 `json:"low_l"`  // 0: no limit
	SinceNs int64   `json:"since_ns"`
}

// Low reports whether there is less than the shop wants to have.
func (f *FluidStock) Low() bool { return f.LowL > 0 && f.LeftL < f.LowL }

// WasteStock is the container for used oil, in litres.
type WasteStock struct {
	HoldsL     float64 `json:"holds_l"`
	CollectedL float64 `json:"collected_l"` // since it was emptied
	FullL      float64 `json:"full_l"`      // at which it must be emptied
	SinceNs    int64   `json:"since_ns"`
}

// Full reports whether the container must be emptied.
func (w *WasteStock) Full() bool { return w.CollectedL >= w.FullL }

// NewStock begins with what the configuration says and has used nothing.
func NewStock(c *config.Stock) Stock {
	s := Stock{Fluids: []FluidStock{}}
	for i := range c.Fluids {
		f := &c.Fluids[i]
		row := FluidStock{Fluid: f.Fluid, HadL: f.Counted.L, LowL: f.Low.L, SinceNs: f.Date.Ns()}
		for _, b := range f.Bought {
			row.HadL += b.Volume.L
		}
		row.LeftL = row.HadL
		s.Fluids = append(s.Fluids, row)
	}
	if w := c.Waste; w != nil {
		s.Waste = &WasteStock{HoldsL: w.Holds.L, FullL: w.Full.L, SinceNs: w.Emptied.Ns()}
	}
	return s
}

// Add takes a job into account.
func (s *Stock) Add(r *Record) {
	for i := range s.Fluids {
		if f := &s.Fluids[i]; f.Fluid == r.Fluid && r.EndedNs >= f.SinceNs {
			f.UsedL += r.FreshL()
			f.LeftL = f.HadL - f.UsedL
		}
	}
	if w := s.Waste; w != nil && r.EndedNs >= w.SinceNs {
		w.CollectedL += r.WasteL()
	}
}
