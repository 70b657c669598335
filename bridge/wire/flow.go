package wire

import (
	"cmp"
	"math"
	"slices"

	"bayfill/fillcalc"
)

// JobAsk is what the technician is asked for: a sentence, its kind, and the command that
// answers it.
type JobAsk struct {
	Said
	Tone   string `json:"tone"` // of fillcalc.Tone
	Do     string `json:"do,omitempty"`
	Phase  string `json:"phase,omitempty"`
	Change int    `json:"change,omitempty"`
	Item   string `json:"item,omitempty"`
	What   string `json:"what,omitempty"` // of an entry
}

// JobPhase is the beginning of a phase.
type JobPhase struct {
	Phase string `json:"phase"`
	At    string `json:"at"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"`
	// Engine is whether the engine had run, if a person said so going back to this phase.
	Engine string `json:"engine,omitempty"`
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
	// EnteredAt is when a level that was judged earlier, at, was entered.
	EnteredAt string `json:"entered_at,omitempty"`
	// Corrected says that a later record of the same item takes its place.
	Corrected bool `json:"corrected,omitempty"`
}

// JobGear is the gear that is engaged now.
type JobGear struct {
	Gear  string `json:"gear"`
	LeftS Number `json:"left_s"` // how much longer to hold it
}

// JobGearStep is a gear of those to work, in their order.
type JobGearStep struct {
	Gear  string `json:"gear"`
	HeldS Number `json:"held_s"` // since the engine was started
	Done  bool   `json:"done"`
	Next  bool   `json:"next"` // it comes next
}

// JobUndo is what the command undo would take back now.
type JobUndo struct {
	What  Said   `json:"what"`
	Until string `json:"until"` // afterwards it is too late
}

// JobFlow is the part of the leaf job that leads through the work.
type JobFlow struct {
	Next    []JobAsk    `json:"next"` // the most urgent first
	Gear    *JobGear    `json:"gear"`
	Phases  []JobPhase  `json:"phases"`
	Records []JobRecord `json:"records"`
	Gears   []string    `json:"gears"` // engaged so far
	// GearPlan is empty while no job is open.
	GearPlan []JobGearStep `json:"gear_plan"`
	Undo     *JobUndo      `json:"undo"`    // null when nothing can be taken back
	Remarks  []Said        `json:"remarks"` // on the record
}

// The message has the newest phases, records, gears and remarks, at most so many of each and so
// many bytes of JSON. No job by the book has more.
const (
	maxRecords     = 40
	maxRecordBytes = 7 << 10
	maxPhaseBytes  = 3 << 10
	maxRemarkBytes = 3 << 10
)

// FlowOf computes the flow from a state.
func FlowOf(s *fillcalc.State) JobFlow {
	j := &s.Job
	m := JobFlow{Next: []JobAsk{}, Gears: []string{}, GearPlan: []JobGearStep{}}
	for _, a := range s.Next() {
		m.Next = append(m.Next, JobAsk{Said: Say(a.Text), Tone: string(a.Tone), Do: string(a.Do), Phase: string(a.Phase), Change: a.Change, Item: string(a.Item), What: string(a.What)})
	}
	if gear, left, ok := s.GearLeftS(); ok {
		m.Gear = &JobGear{gear, Number(left)}
	}
	m.Phases, _ = newest(j.Phases, maxRecords, maxPhaseBytes, func(p fillcalc.PhaseAt) JobPhase {
		return JobPhase{string(p.Phase), Timestamp(p.AtNs), p.By, p.Why, string(p.Engine)}
	})
	order := make([]int, len(j.Records))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(j.Records[a].AtNs, j.Records[b].AtNs) })
	m.Records, _ = newest(order, maxRecords, maxRecordBytes, func(i int) JobRecord {
		r := &j.Records[i]
		entered := ""
		if r.EnteredNs != 0 {
			entered = Timestamp(r.EnteredNs)
		}
		return JobRecord{Timestamp(r.AtNs), string(r.Item), string(r.Result), r.Count,
			r.SpecifiedNM, r.AppliedNM, r.Written, r.Part, r.Note, r.By, string(r.Phase), string(r.Window), r.TempC, entered, j.Corrected(i)}
	})
	for _, g := range j.Gears[max(0, len(j.Gears)-maxRecords):] {
		m.Gears = append(m.Gears, g.Name)
	}
	if j.Phase.Open() {
		for _, g := range s.GearPlan() {
			m.GearPlan = append(m.GearPlan, JobGearStep{g.Name, Number(math.Round(g.HeldS)), g.Done, g.Next})
		}
	}
	if what, untilNs, ok := s.Undoable(); ok {
		m.Undo = &JobUndo{Say(what), Timestamp(untilNs)}
	}
	m.Remarks, _ = newest(s.Remarks(), maxRecords, maxRemarkBytes, Say)
	return m
}
