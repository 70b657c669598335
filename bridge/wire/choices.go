package wire

import (
	"cmp"
	"slices"
)

// Choices is the message of the leaf choices: what the command open may name, so that
// boards and tools need no files of the bridge. Both lists are in alphabetical order; what
// does not fit into a message is counted.
type Choices struct {
	Fluids             []ChoiceFluid       `json:"fluids"`
	FluidsLeftOut      int                 `json:"fluids_left_out"`
	ServiceData        []ChoiceServiceData `json:"service_data"`
	ServiceDataLeftOut int                 `json:"service_data_left_out"`
}

// ChoiceFluid is a fluid that may be filled: a configured one, or one whose density was
// measured on the cart.
type ChoiceFluid struct {
	Name         string `json:"name"`
	DensityKgM3  Number `json:"density_kg_m3"`
	AtC          Number `json:"at_c"`          // temperature of that density
	UPct         Number `json:"density_u_pct"` // relative standard uncertainty
	MeasuredHere bool   `json:"measured_here"`
}

// ChoiceServiceData is one of the shop's files of service data. A figure that the file does
// not give is null.
type ChoiceServiceData struct {
	Name         string `json:"name"`
	Vehicle      string `json:"vehicle"`
	Transmission string `json:"transmission"`
	Fluid        string `json:"fluid"`
	Check        string `json:"check"`
	LowC         Number `json:"low_c"`
	HighC        Number `json:"high_c"`
	TypicalL     Number `json:"typical_l"`
	TotalL       Number `json:"total_l"`
	BottleL      Number `json:"bottle_l"`
	BoltTorqueNM Number `json:"bolt_torque_nm"`
	// What is usual in the shop's own closed jobs with this file: null with too few of them.
	Jobs           int    `json:"jobs"`
	UsualOutL      Number `json:"usual_out_l"`
	UsualOutUL     Number `json:"usual_out_u_l"`
	UsualTargetL   Number `json:"usual_target_l"`
	UsualTargetUL  Number `json:"usual_target_u_l"`
	LevelRightJobs int    `json:"level_right_jobs"` // of Jobs, those whose level was right at the end
	LevelLowJobs   int    `json:"level_low_jobs"`
	LevelHighJobs  int    `json:"level_high_jobs"`
}

// Brokers refuse messages of more than 64 KiB.
const (
	maxChoiceFluidBytes   = 14 << 10
	maxChoiceServiceBytes = 46 << 10
)

// NewChoices sorts the lists and cuts them to what a message may hold.
func NewChoices(fluids []ChoiceFluid, data []ChoiceServiceData) Choices {
	slices.SortFunc(fluids, func(a, b ChoiceFluid) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(data, func(a, b ChoiceServiceData) int { return cmp.Compare(a.Name, b.Name) })
	m := Choices{}
	m.Fluids, m.FluidsLeftOut = first(fluids, maxChoiceFluidBytes)
	m.ServiceData, m.ServiceDataLeftOut = first(data, maxChoiceServiceBytes)
	return m
}

// first returns the first messages of a list that take at most maxBytes of JSON, and how
// many it leaves out.
func first[M any](all []M, maxBytes int) (list []M, leftOut int) {
	list = []M{} // null is not an array
	bytes := 0
	for i := range all {
		if bytes += len(Encode(all[i])) + 1; bytes > maxBytes {
			return list, len(all) - i
		}
		list = append(list, all[i])
	}
	return list, 0
}
