package wire

import (
	"slices"

	"bayfill/fillcalc"
)

// JobAsk is what the technician is asked for, in words and as the command that
// answers it.
type JobAsk struct {
	Text  string `json:"text"`
	Do    string `json:"do,omitempty"`
	Phase string `json:"phase,omitempty"`
	Step  int    `json:"step,omitempty"`
	Item  string `json:"item,omitempty"`
	// Sensor is the scale of which cleared is asked, Before whether of what was laid
	// there before it counted, Unseen what may have hidden an object.
	Sensor string            `json:"sensor,omitempty"`
	Before bool              `json:"before,omitempty"`
	Unseen []fillcalc.Unseen `json:"unseen,omitempty"`
}

// JobPhase is when a phase began.
type JobPhase struct {
	Phase string `json:"phase"`
	At    string `json:"at"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"`
}

// JobRecord is a piece of work as reported, and what was known at the moment.
type JobRecord struct {
	At          string   `json:"at"`
	Item        string   `json:"item"`
	Result      string   `json:"result"`
	Count       int      `json:"count,omitempty"`
	SpecifiedNM float64  `json:"specified_nm,omitempty"`
	AppliedNM   float64  `json:"applied_nm,omitempty"`
	Written     string   `json:"written,omitempty"`
	Part        string   `json:"part,omitempty"` // number of the part that was fitted
	Note        string   `json:"note,omitempty"`
	By          string   `json:"by,omitempty"`
	Phase       string   `json:"phase"`
	Window      string   `json:"window"`
	TempC       *float64 `json:"temp_c"` // of the fluid
}

// JobGear is the gear in hand.
type JobGear struct {
	Gear  string `json:"gear"`
	LeftS Number `json:"left_s"` // still to be held
}

// JobFlow is the part of the leaf job that leads through it.
type JobFlow struct {
	Next    []JobAsk    `json:"next"` // the most urgent first
	Gear    *JobGear    `json:"gear"`
	Phases  []JobPhase  `json:"phases"`
	Records []JobRecord `json:"records"`
	Gears   []string    `json:"gears"`   // worked so far
	Remarks []PlanNote  `json:"remarks"` // what stands on the record
}

// mostRecords bounds each list in the message; the newest are shown. No job by
// the book has so many.
const (
	mostRecords     = 40
	mostRecordBytes = 12 << 10
)

func FlowOf(s *fillcalc.State) JobFlow {
	j := &s.Job
	m := JobFlow{Next: []JobAsk{}, Phases: []JobPhase{}, Records: []JobRecord{}, Gears: []string{}, Remarks: []PlanNote{}}
	for _, a := range s.Next() {
		ask := JobAsk{Text: a.Text, Phase: string(a.Phase), Step: a.Step, Item: string(a.Item), Sensor: a.Sensor, Before: a.Before, Unseen: a.Unseen}
		if a.Do != fillcalc.DoTick {
			ask.Do = string(a.Do)
		}
		m.Next = append(m.Next, ask)
	}
	if gear, left, ok := s.GearLeftS(); ok {
		m.Gear = &JobGear{gear, Number(left)}
	}
	for _, p := range j.Phases[max(0, len(j.Phases)-mostRecords):] {
		m.Phases = append(m.Phases, JobPhase{string(p.Phase), Timestamp(p.AtNs), p.By, p.Why})
	}
	bytes := 0
	for _, r := range slices.Backward(j.Records) {
		if bytes += len(r.Part) + len(r.Note) + len(r.By) + len(r.Written) + 300; len(m.Records) == mostRecords || bytes > mostRecordBytes {
			break
		}
		m.Records = append(m.Records, JobRecord{Timestamp(r.AtNs), string(r.Item), string(r.Result), r.Count,
			r.SpecifiedNM, r.AppliedNM, r.Written, r.Part, r.Note, r.By, string(r.Phase), string(r.Window), r.TempC})
	}
	slices.Reverse(m.Records)
	for _, g := range j.Gears[max(0, len(j.Gears)-mostRecords):] {
		m.Gears = append(m.Gears, g.Name)
	}
	for _, r := range s.Remarks() {
		m.Remarks = append(m.Remarks, PlanNote{r.Kind, r.Text})
	}
	return m
}
