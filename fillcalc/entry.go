package fillcalc

import "math"

// What names the kind of an entry.
type What string

const (
	EnterSpilled  What = "spilled"  // litres of used fluid that missed the caddy
	EnterRetained What = "retained" // litres of used fluid that left the vehicle in the pan or the filter
	EnterLevel    What = "level"    // litres missing (positive) or too much (negative) before the service, at the check temperature
	EnterBottle   What = "bottle"   // a bottle of L poured in by Share, if no scale weighs the supply
	EnterDipstick What = "dipstick" // a reading: Share of the way from the lower to the upper mark
	EnterOpening  What = "opening"  // what comes out of the check opening
	EnterFlush    What = "flush"    // in this phase fluid runs out below on purpose while it is poured in
)

// Opening is what comes out of the check opening.
type Opening string

const (
	OpeningRuns  Opening = "runs"
	OpeningDrips Opening = "drips" // the level is right
	OpeningDry   Opening = "dry"   // nothing comes, or nothing any more
)

// Entry is something that no sensor sees and that a person enters. Entries of one
// kind add up, and a negative one corrects an earlier one. Of [EnterLevel],
// [EnterDipstick] and [EnterOpening] only the last one counts.
type Entry struct {
	What What `json:"what"`
	// L is in litres, at the reference temperature unless What says otherwise; UL is
	// its standard uncertainty.
	L  float64 `json:"l,omitempty"`
	UL float64 `json:"u_l,omitempty"`
	// Assumed: nobody gave UL, see [AssumedUL].
	Assumed bool    `json:"assumed,omitempty"`
	Share   float64 `json:"share,omitempty"`
	// Opening is what was seen there.
	Opening Opening `json:"opening,omitempty"`
	// TempC is the fluid's temperature when the entry was made, added by the fold;
	// nil if it was not known.
	TempC *float64 `json:"temp_c,omitempty"`
	AtNs  int64    `json:"at_ns,omitempty"`
	By    string   `json:"by,omitempty"`
	Why   string   `json:"why,omitempty"` // given for an amount that was asked back
	// Of a reading of the level: what had been added and had run out again, in litres, added
	// by the fold; nil if it was not known.
	AddedL *float64 `json:"added_l,omitempty"`
	AgainL *float64 `json:"again_l,omitempty"`
}

// maxEntries limits the size of a job's state and messages.
const maxEntries = 200

// checkEntry returns an error if an entry cannot be accepted. The sum of what was
// spilled or retained must not become negative.
func (s *State) checkEntry(e *Entry) error {
	j := &s.Job
	if err := e.check(); err != nil {
		return err
	}
	if e.What == EnterBottle && s.suppliesWeighed() {
		return refused("what", "refuse.bottle_weighed", nil, nil)
	}
	if e.What == EnterFlush && j.Phase.place() < Filling.place() {
		return refused("what", "refuse.flush_early", nil, names{"phase": string(j.Phase)})
	}
	if e.What == EnterOpening && !j.Phase.runs() {
		return refused("what", "refuse.opening_early", nil, names{"phase": string(j.Phase)})
	}
	if e.What == EnterSpilled || e.What == EnterRetained {
		if sum, _ := j.entered(e.What); sum+e.L < 0 {
			return refused("l", "refuse.takes_off", figures{"off_l": -e.L, "entered_l": sum}, names{"what": string(e.What)})
		}
	}
	return nil
}

// Two people who enter the same at two screens do so within this (common practice, no source).
// The same bottle, or the same reading, comes again soon; the same spill does not.
const sameEntryNs, sameSpillNs = 10e9, 120e9

// enteredTwice asks back about an entry that only repeats the one of its kind before it: it may
// have been made at another screen too.
func (s *State) enteredTwice(in *Input) error {
	e, withinNs := in.Entry, int64(sameEntryNs)
	if e.What == EnterSpilled || e.What == EnterRetained {
		withinNs = sameSpillNs
	}
	last, is := s.Job.last(e.What)
	if !is || in.Why != "" || s.NowNs-last.AtNs >= withinNs || last.L != e.L || last.Share != e.Share || last.Opening != e.Opening {
		return nil
	}
	return askBack("what", "refuse.entered_twice", figures{"ago_s": float64(s.NowNs-last.AtNs) / 1e9}, names{"what": string(e.What), "by": last.By})
}

// outDoubtful asks back about what is entered as spilled, or as still in the pan, when more would
// have come out with it than does: the scales have weighed the rest.
func (s *State) outDoubtful(in *Input) error {
	e, spec := in.Entry, &s.Job.Spec
	if e.What != EnterSpilled && e.What != EnterRetained || e.L < 0 || in.Why != "" {
		return nil
	}
	_, uL := s.OutL()
	outL := s.passOutL(len(s.Job.PassMarks)) + e.L
	usualL, mostL := spec.TypicalL, float64(muchShare*spec.TypicalL)
	if spec.Usual != nil && len(s.Job.PassMarks) == 0 {
		usualL, mostL = spec.Usual.OutL, spec.Usual.OutL+float64(spec.Usual.limitL())
	}
	f := figures{"entered_l": e.L, "out_l": outL, "out_u_l": uL}
	switch {
	case usualL > 0 && outL-uL > mostL:
		f["usual_l"] = usualL
		return askBack("l", "refuse.out_usual", f, names{"what": string(e.What)})
	case spec.TotalL > 0 && outL-uL > spec.TotalL:
		f["total_l"] = spec.TotalL
		return askBack("l", "refuse.out_total", f, names{"what": string(e.What)})
	}
	return nil
}

func (e *Entry) check() error {
	switch e.What {
	case EnterSpilled, EnterRetained, EnterLevel, EnterBottle:
		if !(e.L >= -100 && e.L <= 100) {
			return Outside("l", "l", Span{Low: -100, High: 100}, numberText(e.L))
		}
		if !(e.UL >= 0 && e.UL <= 100) {
			return Outside("u_l", "l", Span{High: 100}, numberText(e.UL))
		}
		if e.What == EnterBottle && !(e.Share > 0 && e.Share <= 1) {
			return refused("share", "refuse.bottle_share", nil, nil)
		}
		if e.What == EnterBottle && !(e.L >= minBottleL) {
			return refused("l", "refuse.bottle_size", figures{"least_l": minBottleL}, nil)
		}
	case EnterDipstick:
		if !(e.Share >= -1 && e.Share <= 2) {
			return refused("share", "refuse.dipstick_share", nil, nil)
		}
	case EnterOpening:
		if e.Opening != OpeningRuns && e.Opening != OpeningDrips && e.Opening != OpeningDry {
			return notOneOf("opening", e.Opening, OpeningRuns, OpeningDrips, OpeningDry)
		}
	case EnterFlush:
	default:
		return notOneOf("what", e.What, EnterSpilled, EnterRetained, EnterLevel, EnterBottle, EnterDipstick, EnterOpening, EnterFlush)
	}
	return nil
}

// AssumedUL is the standard uncertainty of an amount of some kind in litres that a person
// estimated without saying how well: a quarter of it is its expanded uncertainty (common
// practice, no source). What a bottle holds is printed on it; 0 for it and for what is no amount.
func AssumedUL(what What, litres float64) float64 {
	if what == EnterSpilled || what == EnterRetained || what == EnterLevel {
		return math.Abs(litres) / 4 / 2
	}
	return 0
}

// inL is the volume that an entry is about: of a bottle its share.
func (e *Entry) inL() float64 {
	if e.What == EnterBottle {
		return e.L * e.Share
	}
	return e.L
}

// entered returns the sum of the entries of one kind in litres and the variance of the sum in
// square litres. The estimates are independent, except that an entry which takes back an earlier
// one takes back its assumed uncertainty too.
func (j *Job) entered(what What) (litres, u2L2 float64) {
	assumedUL := 0.0
	for _, e := range j.Entries {
		switch {
		case e.What != what:
			continue
		case e.Assumed:
			assumedUL += math.Copysign(e.UL, e.L)
		default:
			u2L2 += float64(e.UL * e.UL)
		}
		litres += e.L
	}
	return litres, u2L2 + float64(assumedUL*assumedUL)
}

// last returns the newest entry of a kind.
func (j *Job) last(what What) (e Entry, ok bool) {
	for i := len(j.Entries) - 1; i >= 0; i-- {
		if j.Entries[i].What == what {
			return j.Entries[i], true
		}
	}
	return Entry{}, false
}
