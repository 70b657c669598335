package wire

// About is the message of the leaf about: the program, the cart's sensors and what
// was measured on it.
type About struct {
	Program  string        `json:"program"`
	Version  string        `json:"version"`
	Contract int           `json:"contract"`
	Leaves   []Leaf        `json:"leaves"`
	Sensors  []AboutSensor `json:"sensors"`
	// Measured are the fluids whose density was measured on this cart.
	Measured []AboutFluid `json:"measured_fluids"`
	Units    string       `json:"units"` // a sentence for people
}

// AboutSensor is one sensor in the leaf about.
type AboutSensor struct {
	Name     string `json:"name"`
	Role     string `json:"role"`
	Quantity string `json:"quantity"`
	Protocol string `json:"protocol"`
}

// AboutFluid is a fluid whose density was measured on the cart.
type AboutFluid struct {
	Name        string `json:"name"`
	DensityKgM3 Number `json:"density_kg_m3"`
	AtC         Number `json:"at_c"`
	UPct        Number `json:"density_u_pct"` // relative standard uncertainty
}
