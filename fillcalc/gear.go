package fillcalc

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// Gear is a gear that was held while the engine ran, so that fluid reaches all
// passages.
type Gear struct {
	Name   string `json:"name"`
	FromNs int64  `json:"from_ns"`
	ToNs   int64  `json:"to_ns,omitempty"` // 0 while it is held
	Said   bool   `json:"said,omitempty"`  // done, says a person who worked a list of gears
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

const (
	// usualGears are worked where the service data name none (common practice, no source).
	usualGears = "R N D P"
	// AllGears in the place of a gear says that all of the list have been worked.
	AllGears = "all"
	// A gear that was held a second less is worked: a tap is not that exact.
	gearSlackNs = 1e9
)

// GearStep is a gear of the job's list.
type GearStep struct {
	Name  string
	HeldS float64 // since the engine was started
	Done  bool
	Next  bool // it comes next
}

// GearPlan lists the gears to work, in their order. What was worked before the engine was
// started last is not done.
func (s *State) GearPlan() (list []GearStep) {
	fromNs, next := s.Job.runsSince(), false
	for _, name := range strings.Fields(cmp.Or(s.Job.Spec.Gears, usualGears)) {
		step := GearStep{Name: name}
		for _, g := range s.Job.Gears {
			if g.Name == name && fromNs > 0 && g.FromNs >= fromNs {
				heldNs := cmp.Or(g.ToNs, s.NowNs) - g.FromNs
				step.HeldS += float64(heldNs) / 1e9
				step.Done = step.Done || g.Said || heldNs >= gearNs-gearSlackNs
			}
		}
		step.Next = !step.Done && !next && !s.holds(name)
		next = next || step.Next
		list = append(list, step)
	}
	return list
}

// holds reports whether a gear is engaged.
func (s *State) holds(gear string) bool {
	name, _, ok := s.GearLeftS()
	return ok && name == gear
}

// gearWork leads through the gears; ok is false when all are worked.
func (s *State) gearWork() (a Ask, ok bool) {
	if gear, left, engaged := s.GearLeftS(); engaged && left > 0 {
		return Ask{Text: Text{"ask.hold", figures{"left_s": left}, names{"gear": gear}}, Tone: ToneWait, Do: DoGear}, true
	}
	begun := false
	for _, g := range s.GearPlan() {
		switch {
		case g.Next && begun:
			return Ask{Text: Text{"ask.gear_next", nil, names{"gear": g.Name}}, Tone: ToneDo, Do: DoGear}, true
		case g.Next:
			return Ask{Text: Text{Key: "ask.gears"}, Tone: ToneDo, Do: DoGear}, true
		}
		begun = true
	}
	return a, false
}

func checkGear(s *State, in *Input) error {
	if s.Job.Phase != Running {
		return refused("do", "refuse.gear_phase", nil, names{"phase": string(s.Job.Phase)})
	}
	if len(s.Job.Gears) >= maxEntries {
		return tooMany("gear")
	}
	gears := strings.Fields(cmp.Or(s.Job.Spec.Gears, usualGears))
	if in.Gear != "" && in.Gear != AllGears && !usualGear.MatchString(in.Gear) && !slices.Contains(gears, in.Gear) {
		return refused("gear", "refuse.gear_name", nil, names{"typed": in.Gear, "gears": strings.Join(gears, " ")})
	}
	return nil
}

// usualGear finds the gears that selectors and gearboxes have, whatever the job's list says: P, R,
// N, D, L, S, M, D1 to D10 and 1 to 10 (common practice, no source).
var usualGear = regexp.MustCompile(`^([PRNDLSM]|D?([1-9]|10))$`)

func applyGear(s *State, in *Input) {
	if in.Gear != AllGears {
		s.shift(in.Gear)
		return
	}
	s.shift("")
	for _, g := range s.GearPlan() {
		if !g.Done && len(s.Job.Gears) < maxEntries {
			s.Job.Gears = append(slices.Clone(s.Job.Gears), Gear{g.Name, s.NowNs, s.NowNs, true})
		}
	}
}

// CheckGears checks a list of gears: their names, separated by spaces.
func CheckGears(list string) error {
	names := strings.Fields(list)
	for i, name := range names {
		if len(name) > 8 || name == AllGears || slices.Contains(names[:i], name) {
			return fmt.Errorf("%.20q is not a gear's name of at most 8 bytes, or is there twice", name)
		}
	}
	if len(names) > 16 {
		return fmt.Errorf("%d gears, at most 16", len(names))
	}
	return nil
}
