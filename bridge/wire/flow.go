package wire

import "bayfill/fillcalc"

// JobAsk is what the technician is asked for, as a sentence and as the command that
// answers it.
type JobAsk struct {
	Text   string `json:"text"`
	Do     string `json:"do,omitempty"`
	Phase  string `json:"phase,omitempty"`
	Change int    `json:"change,omitempty"`
	Item   string `json:"item,omitempty"`
}

// JobPhase is the beginning of a phase.
type JobPhase struct {
	Phase string `json:"phase"`
	At    string `json:"at"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"`
}

// JobRecord is a piece of work as reported, with what was known at that moment.
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

// JobGear is the gear that is engaged now.
type JobGear struct {
	Gear  string `json:"gear"`
	LeftS Number `json:"left_s"` // how much longer to hold it
}

// JobFlow is the part of the leaf job that leads through the work.
type JobFlow struct {
	Next    []JobAsk    `json:"next"` // the most urgent first
	Gear    *JobGear    `json:"gear"`
	Phases  []JobPhase  `json:"phases"`
	Records []JobRecord `json:"records"`
	Gears   []string    `json:"gears"`   // engaged so far
	Remarks []PlanNote  `json:"remarks"` // on the record
}

// The message has the newest phases, records and gears, at most so many of each and so
// many bytes of JSON of the records. No job by the book has more.
const (
	maxRecords     = 40
	maxRecordBytes = 12 << 10
)

// FlowOf computes the flow from a state.
func FlowOf(s *fillcalc.State) JobFlow {
	j := &s.Job
	m := JobFlow{Next: []JobAsk{}, Phases: []JobPhase{}, Gears: []string{}, Remarks: []PlanNote{}}
	for _, a := range s.Next() {
		ask := JobAsk{Text: a.Text, Phase: string(a.Phase), Change: a.Change, Item: string(a.Item)}
		if a.Do != fillcalc.DoTick {
			ask.Do = string(a.Do)
		}
		m.Next = append(m.Next, ask)
	}
	if gear, left, ok := s.GearLeftS(); ok {
		m.Gear = &JobGear{gear, Number(left)}
	}
	for _, p := range j.Phases[max(0, len(j.Phases)-maxRecords):] {
		m.Phases = append(m.Phases, JobPhase{string(p.Phase), Timestamp(p.AtNs), p.By, p.Why})
	}
	m.Records, _ = newest(j.Records, maxRecords, maxRecordBytes, func(r fillcalc.Record) JobRecord {
		return JobRecord{Timestamp(r.AtNs), string(r.Item), string(r.Result), r.Count,
			r.SpecifiedNM, r.AppliedNM, r.Written, r.Part, r.Note, r.By, string(r.Phase), string(r.Window), r.TempC}
	})
	for _, g := range j.Gears[max(0, len(j.Gears)-maxRecords):] {
		m.Gears = append(m.Gears, g.Name)
	}
	for _, r := range s.Remarks() {
		m.Remarks = append(m.Remarks, PlanNote{r.Kind, r.Text})
	}
	return m
}
