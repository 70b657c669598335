package fillcalc

import (
	"math"
	"slices"
)

// Item names a piece of work that is recorded with a job. The list is common
// practice, no source; the vehicle maker's service data take precedence.
type Item string

const (
	LevelBefore Item = "level_before" // the level before the pan is opened
	Filter      Item = "filter"       // changed
	Seal        Item = "seal"         // of the filter: exactly one, the old one may stick
	Magnet      Item = "magnet"       // cleaned
	Pan         Item = "pan"          // cleaned
	Flange      Item = "flange"       // flat
	Gasket      Item = "gasket"       // the new one in place
	Torque      Item = "torque"       // of the pan's bolts, by hand tool
	Leaks       Item = "leaks"        // looked for with the engine running
	LevelAfter  Item = "level"        // the level judged at the end
)

// items lists all items with the phase in which each is usually done.
var items = [...]struct {
	Item  Item
	Phase Phase
}{
	{LevelBefore, Ready},
	{Filter, Service},
	{Seal, Service},
	{Magnet, Service},
	{Pan, Service},
	{Flange, Service},
	{Gasket, Service},
	{Torque, Service},
	{Leaks, Running},
	{LevelAfter, Checking},
}

// Result is the outcome of an item.
type Result string

const (
	Done      Result = "done"
	NotDone   Result = "not_done"
	NotNeeded Result = "not_needed"
	Right     Result = "right" // of a level
	Low       Result = "low"
	High      Result = "high"
)

// Record is an item as a person reported it, and what the program knew then.
type Record struct {
	Item   Item   `json:"item"`
	Result Result `json:"result"`
	Count  int    `json:"count,omitempty"` // of seals
	// Torque as specified and as applied in N·m, and as the person wrote it.
	SpecifiedNM float64 `json:"specified_nm,omitempty"`
	AppliedNM   float64 `json:"applied_nm,omitempty"`
	Written     string  `json:"written,omitempty"`
	Part        string  `json:"part,omitempty"` // number of the part that was fitted
	Note        string  `json:"note,omitempty"`

	// AtNs is when it was done. Of a level that was judged earlier it comes with the record;
	// otherwise, and all that follows, it is added by the fold.
	AtNs      int64       `json:"at_ns,omitempty"`
	EnteredNs int64       `json:"entered_ns,omitempty"` // when a level that was judged earlier was entered
	By        string      `json:"by,omitempty"`
	Why       string      `json:"why,omitempty"` // given for a torque that was asked back
	Phase     Phase       `json:"phase,omitempty"`
	Window    WindowState `json:"window,omitempty"`
	TempC     *float64    `json:"temp_c,omitempty"` // of the fluid; nil if it was not known
	// What had been added and had run out again, in litres; nil if it was not known.
	AddedL *float64 `json:"added_l,omitempty"`
	AgainL *float64 `json:"again_l,omitempty"`
}

// records lists the records of an input: of one item, or of several with the same result.
func (in *Input) records() (list []Record) {
	if len(in.Items) == 0 || in.Record.Item != "" {
		list = append(list, *in.Record)
	}
	for _, item := range in.Items {
		r := *in.Record
		r.Item = item
		list = append(list, r)
	}
	return list
}

func (r *Record) check() error {
	var itemNames []Item
	for _, i := range items {
		itemNames = append(itemNames, i.Item)
	}
	if !slices.Contains(itemNames, r.Item) {
		return notOneOf("item", r.Item, itemNames...)
	}
	results := []Result{Done, NotDone, NotNeeded}
	if r.Item == LevelBefore || r.Item == LevelAfter {
		results = []Result{Right, Low, High, NotDone, NotNeeded}
	}
	if !slices.Contains(results, r.Result) {
		return notOneOf("result", r.Result, results...)
	}
	for field, nm := range map[string]float64{"specified": r.SpecifiedNM, "applied": r.AppliedNM} {
		if !(nm >= 0 && nm <= 1000) {
			return Outside(field, "nm", Span{High: 1000}, numberText(nm))
		}
	}
	if r.Item == Torque && r.Result == Done && r.AppliedNM == 0 {
		return refused("applied", "refuse.torque_missing", nil, nil)
	}
	if r.Count < 0 || r.Count > 100 {
		return Outside("count", "", Span{High: 100}, numberText(float64(r.Count)))
	}
	return nil
}

// levelDoubtful asks back about a judgement of the level at the end that will not count: the
// engine has not run, or the fluid was too cold or too hot.
func (s *State) levelDoubtful(r *Record) error {
	if r.Item != LevelAfter || !r.judged() {
		return nil
	}
	if !s.Job.Phase.runs() {
		return askBack("item", "refuse.level_early", nil, names{"phase": string(s.Job.Phase)})
	}
	then := s.moment()
	if r.AtNs != 0 {
		then = s.at(r.AtNs)
	}
	if inside(then.Window) || then.Window == Blind || then.TempC == nil {
		return nil
	}
	return askBack("item", "refuse.level_outside", figures{"temp_c": *then.TempC, "low_c": s.Job.Spec.LowC, "high_c": s.Job.Spec.HighC}, nil)
}

// record stores a record together with what is known at the moment.
func (s *State) record(r Record, by string) {
	r.By, r.Phase = by, s.Job.Phase
	then := s.moment()
	if r.AtNs != 0 {
		r.EnteredNs, then = s.NowNs, s.at(r.AtNs)
	} else {
		r.AtNs = s.NowNs
	}
	r.Window, r.TempC, r.AddedL, r.AgainL = then.Window, then.TempC, then.AddedL, then.AgainL
	s.Job.Records = append(s.Job.Records[:len(s.Job.Records):len(s.Job.Records)], r)
}

// A second tap of the same finger comes within this (common practice, no source).
const doubleTapNs = 1e9

// twice refuses a record that only repeats the one before it: a double tap.
func (s *State) twice(r *Record) error {
	last := s.Job.recorded(r.Item)
	if last == nil || last.Result != r.Result || s.NowNs-max(last.AtNs, last.EnteredNs) >= doubleTapNs {
		return nil
	}
	return &Refusal{Field: "item", Text: Text{"refuse.twice", nil, names{"item": string(r.Item), "result": string(r.Result)}}}
}

// Corrected reports whether a later record of the same item takes the place of record i. A
// level that was judged again after fluid went in or out is no correction.
func (j *Job) Corrected(i int) bool {
	r := &j.Records[i]
	for k := range j.Records {
		o := &j.Records[k]
		later := o.AtNs > r.AtNs || o.AtNs == r.AtNs && k > i
		if later && o.Item == r.Item && j.pass(o.AtNs) == j.pass(r.AtNs) && !r.movedUntil(o) {
			return true
		}
	}
	return false
}

// movedUntil reports whether fluid went in or out between two records.
func (r *Record) movedUntil(o *Record) bool {
	moved := func(from, to *float64) bool { return from != nil && to != nil && math.Abs(*to-*from) > maxMovedL }
	level := r.Item == LevelBefore || r.Item == LevelAfter
	return level && (moved(r.AddedL, o.AddedL) || moved(r.AgainL, o.AgainL))
}

// known returns nil for a figure that is not known.
func known(figure float64) *float64 {
	if math.IsNaN(figure) {
		return nil
	}
	return &figure
}

// Judged returns the newest judgement of the level at the end; nil if there is none.
func (j *Job) Judged() *Record {
	if r := j.recorded(LevelAfter); r != nil && r.Result != NotDone {
		return r
	}
	return nil
}

// recorded returns the newest record of an item; nil if there is none.
func (j *Job) recorded(item Item) (newest *Record) {
	for i := range j.Records {
		r := &j.Records[i]
		again := item == Gasket || item == Torque || item == Leaks || item == LevelAfter
		if again && j.pass(r.AtNs) < len(j.PassMarks) {
			continue // the pan was opened again
		}
		if r.Item == item && (newest == nil || r.AtNs >= newest.AtNs) {
			newest = r
		}
	}
	return newest
}

// Items lists the work that is usually recorded in a phase, in its order.
func Items(phase Phase) (list []Item) {
	for _, i := range items {
		if i.Phase == phase {
			list = append(list, i.Item)
		}
	}
	return list
}
