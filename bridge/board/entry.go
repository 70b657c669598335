package board

import (
	"slices"
)

// entry is an input field. A button sends its text as the command's field Name.
type entry struct {
	ID          string // of the element; typed text is kept by it when the buttons are replaced
	Name        string
	Label, Unit string
	Value       string // initial text
	Number      bool
	Choices     []string
	// Refused hides the entry until the cart has refused a button beside it.
	Refused bool
}

// why asks for a reason when the cart refuses an action that needs one, such as running
// the engine with too little fluid or closing a job whose scale is dead.
func why(phase string) entry {
	return entry{ID: "why-" + phase, Name: "why", Label: "all the same, because", Refused: true}
}

// open opens a job, either with the shop's service data or with the figures in them. The
// board does not know which service data exist, so it suggests those of the last job.
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
