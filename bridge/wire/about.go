package wire

import (
	"math"

	"bayfill/bridge/build"
	"bayfill/fillcalc"
)

// About is the message of the leaf about: the program, the cart's sensors and what
// was measured on it.
type About struct {
	Program  string        `json:"program"`
	Version  string        `json:"version"`
	Build    build.Build   `json:"build"`
	Contract int           `json:"contract"`
	Leaves   []Leaf        `json:"leaves"`
	Sensors  []AboutSensor `json:"sensors"`
	// Measured are the fluids whose density was measured on this cart.
	Measured []AboutFluid `json:"measured_fluids"`
	// Checks are what closed jobs have said about the scales, the one with the newest job last.
	Checks []AboutCheck `json:"checks_by_use"`
	Units  string       `json:"units"` // a sentence for people
	// ShopUnits are those in which the shop reads amounts, for a screen that was not told
	// otherwise: metric, us, imperial.
	ShopUnits string `json:"shop_units"`
	// CaddyHoldsL is how much the caddy holds; null if that is not known.
	CaddyHoldsL Number `json:"caddy_holds_l"`
	// RecordKey is the public key that signs this bridge's closing records, 64 hexadecimal digits.
	RecordKey string `json:"record_key"`
}

// AboutSensor is one sensor in the leaf about.
type AboutSensor struct {
	Name     string `json:"name"`
	Role     string `json:"role"`
	Quantity string `json:"quantity"`
	Protocol string `json:"protocol"`
}

// AboutCheck is a control chart over the jobs of the cart: whether a scale has moved since
// its first jobs with its calibration.
type AboutCheck struct {
	Kind   string `json:"kind"`             // of fillcalc.UseCheckKind
	Sensor string `json:"sensor,omitempty"` // none: the cart's scales together
	Fluid  string `json:"fluid,omitempty"`
	Jobs   int    `json:"jobs"`
	// By how much it has moved, null while that may be chance: kilograms for the zero of a
	// scale, percent for all else.
	MovedPct Number `json:"moved_pct"`
	MovedKg  Number `json:"moved_kg"`
}

// ChecksOf returns the control charts of a state.
func ChecksOf(s *fillcalc.State) []AboutCheck {
	list := []AboutCheck{}
	for i := range s.Uses {
		c := &s.Uses[i]
		row := AboutCheck{Kind: string(c.Kind), Sensor: c.Sensor, Fluid: c.Fluid, Jobs: c.N, MovedPct: Number(math.NaN()), MovedKg: Number(math.NaN())}
		switch moved := s.Moved(c); {
		case moved == 0:
		case c.Kind == fillcalc.CheckZero:
			row.MovedKg = Number(moved)
		default:
			row.MovedPct = Number(100 * moved)
		}
		list = append(list, row)
	}
	return list
}

// AboutFluid is a fluid whose density was measured on the cart.
type AboutFluid struct {
	Name        string `json:"name"`
	DensityKgM3 Number `json:"density_kg_m3"`
	AtC         Number `json:"at_c"`
	UPct        Number `json:"density_u_pct"` // relative standard uncertainty
}
