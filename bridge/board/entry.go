package board

import (
	"slices"
)

// entry is something to type, which a button then sends as the command's field of
// that name.
type entry struct {
	ID          string // of the element: what was typed into one outlives new buttons
	Name        string
	Label, Unit string
	Value       string // to begin with
	Number      bool
	Choices     []string
	// Refused: it is asked only once the cart has refused a button beside it.
	Refused bool
}

// why is asked when a cart refuses what may be done for a reason only: an engine
// that would run with too little fluid, a job whose scale is dead.
func why(phase string) entry {
	return entry{ID: "why-" + phase, Name: "why", Label: "all the same, because", Refused: true}
}

// open begins a job: by the shop's service data, or with what stands in them. The
// board does not know which there are, but which the last job had.
func open(c *cart) group {
	vehicle := entry{ID: "open-vehicle", Name: "vehicle", Label: "vehicle"}
	data := entry{ID: "open-data", Name: "service_data", Label: "service data"}
	fluid := entry{ID: "open-fluid", Name: "fluid", Label: "or fluid"}
	low := entry{ID: "open-low", Name: "low_c", Label: "window from", Unit: "°C", Number: true}
	high := entry{ID: "open-high", Name: "high_c", Label: "to", Unit: "°C", Number: true}
	last := &c.job.message
	if last.ServiceData != nil && last.ServiceData.Name != nil {
		data.Choices = append(data.Choices, *last.ServiceData.Name)
	}
	if last.Fluid != "" {
		fluid.Choices = append(fluid.Choices, last.Fluid)
	}
	for _, measured := range c.about.message.Measured {
		if !slices.Contains(fluid.Choices, measured.Name) {
			fluid.Choices = append(fluid.Choices, measured.Name)
		}
	}
	b := newButton("Open", "open")
	b.Main, b.With = true, "vehicle service_data fluid low_c high_c"
	return group{Title: "Open a job", Entries: []entry{vehicle, data, fluid, low, high}, Buttons: []button{b}}
}
