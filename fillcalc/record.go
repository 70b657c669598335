package fillcalc

import (
	"fmt"
	"math"
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

	// Added by the fold.
	AtNs   int64       `json:"at_ns,omitempty"`
	By     string      `json:"by,omitempty"`
	Why    string      `json:"why,omitempty"` // given for a torque that was asked back
	Phase  Phase       `json:"phase,omitempty"`
	Window WindowState `json:"window,omitempty"`
	TempC  *float64    `json:"temp_c,omitempty"` // of the fluid; nil if it was not known
	// What had been added and had run out again, in litres; nil if it was not known.
	AddedL *float64 `json:"added_l,omitempty"`
	AgainL *float64 `json:"again_l,omitempty"`
}

func (r *Record) check() error {
	known := false
	for _, i := range items {
		known = known || i.Item == r.Item
	}
	if !known {
		return fmt.Errorf("item: %q is not one of level_before, filter, seal, magnet, pan, flange, gasket, torque, leaks, level", r.Item)
	}
	level := r.Item == LevelBefore || r.Item == LevelAfter
	switch r.Result {
	case NotDone, NotNeeded:
	case Done:
		if level {
			return fmt.Errorf("result: a level is right, low or high, or not_done")
		}
	case Right, Low, High:
		if !level {
			return fmt.Errorf("result: %s is done, not_done or not_needed", r.Item)
		}
	default:
		return fmt.Errorf("result: %q is not one of done, not_done, not_needed; of a level right, low, high", r.Result)
	}
	for field, nm := range map[string]float64{"specified_nm": r.SpecifiedNM, "applied_nm": r.AppliedNM} {
		if !(nm >= 0 && nm <= 1000) {
			return fmt.Errorf("%s: %g is not from 0 to 1000 N·m", field, nm)
		}
	}
	if r.Item == Torque && r.Result == Done && r.AppliedNM == 0 {
		return fmt.Errorf("applied_nm: the torque as applied is needed, or the result not_done")
	}
	if r.Count < 0 || r.Count > 100 {
		return fmt.Errorf("count: %d is not from 0 to 100", r.Count)
	}
	return nil
}

// record stores a record together with what is known at the moment.
func (s *State) record(r Record, by string) {
	r.AtNs, r.By, r.Phase = s.NowNs, by, s.Job.Phase
	w := s.CheckWindow()
	r.Window = w.State
	v := s.Volumes()
	r.TempC, r.AddedL, r.AgainL = known(w.TempC), known(v.AddedL), known(v.OverflowL)
	s.Job.Records = append(s.Job.Records[:len(s.Job.Records):len(s.Job.Records)], r)
}

// known returns nil for a figure that is not known.
func known(figure float64) *float64 {
	if math.IsNaN(figure) {
		return nil
	}
	return &figure
}

// recorded returns the newest record of an item; nil if there is none.
func (j *Job) recorded(item Item) *Record {
	for i := len(j.Records) - 1; i >= 0; i-- {
		if j.Records[i].Item == item {
			return &j.Records[i]
		}
	}
	return nil
}

// Gear is a gear that was held while the engine ran, so that fluid reaches all
// passages.
type Gear struct {
	Name   string `json:"name"`
	FromNs int64  `json:"from_ns"`
	ToNs   int64  `json:"to_ns,omitempty"` // 0 while it is held
}

// gearNs is how long each gear is held: about five seconds (common practice, no
// source).
const gearNs = 5e9

// GearLeftS returns the engaged gear and for how many seconds it is still to be
// held; ok is false if none is engaged.
func (s *State) GearLeftS() (gear string, leftS float64, ok bool) {
	n := len(s.Job.Gears)
	if n == 0 || s.Job.Phase != Running || s.Job.Gears[n-1].ToNs != 0 {
		return "", 0, false
	}
	g := s.Job.Gears[n-1]
	return g.Name, max(0, float64(gearNs-(s.NowNs-g.FromNs))/1e9), true
}

// shift ends the engaged gear and engages the next; "" engages none.
func (s *State) shift(gear string) {
	gears := append([]Gear{}, s.Job.Gears...)
	if n := len(gears); n > 0 && gears[n-1].ToNs == 0 {
		gears[n-1].ToNs = s.NowNs
	}
	if gear != "" {
		gears = append(gears, Gear{Name: gear, FromNs: s.NowNs})
	}
	s.Job.Gears = gears
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
