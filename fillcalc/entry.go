package fillcalc

import "fmt"

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
	L     float64 `json:"l,omitempty"`
	UL    float64 `json:"u_l,omitempty"`
	Share float64 `json:"share,omitempty"`
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
func (j *Job) checkEntry(e *Entry) error {
	if err := e.check(); err != nil {
		return err
	}
	if e.What == EnterFlush && j.Phase.place() < Filling.place() {
		return fmt.Errorf("what: flush is about fluid that is poured in, this job is %s", j.Phase)
	}
	if e.What == EnterOpening && !j.Phase.runs() {
		return fmt.Errorf("what: opening is about a level that is checked with the engine running, this job is %s", j.Phase)
	}
	if e.What == EnterSpilled || e.What == EnterRetained {
		if sum, _ := j.entered(e.What); sum+e.L < 0 {
			return fmt.Errorf("l: %g takes off more than the %g litres that were entered as %s", e.L, sum, e.What)
		}
	}
	return nil
}

func (e *Entry) check() error {
	switch e.What {
	case EnterSpilled, EnterRetained, EnterLevel, EnterBottle:
		if !(e.L >= -100 && e.L <= 100) {
			return fmt.Errorf("l: %g is not from -100 to 100 litres", e.L)
		}
		if !(e.UL >= 0 && e.UL <= 100) {
			return fmt.Errorf("u_l: %g is not from 0 to 100 litres", e.UL)
		}
		if e.What == EnterBottle && !(e.Share > 0 && e.Share <= 1) {
			return fmt.Errorf("share: %g of a bottle is not above 0 and at most 1", e.Share)
		}
		if e.What == EnterBottle && !(e.L >= minBottleL) {
			return fmt.Errorf("l: the bottle's size is needed, at least %g litres", minBottleL)
		}
	case EnterDipstick:
		if !(e.Share >= -1 && e.Share <= 2) {
			return fmt.Errorf("share: %g is not from -1 to 2: 0 is the lower mark, 1 the upper one", e.Share)
		}
	case EnterOpening:
		if e.Opening != OpeningRuns && e.Opening != OpeningDrips && e.Opening != OpeningDry {
			return fmt.Errorf("opening: %q is not one of runs, drips, dry", e.Opening)
		}
	case EnterFlush:
	default:
		return fmt.Errorf("what: %q is not one of spilled, retained, level, bottle, dipstick, opening, flush", e.What)
	}
	return nil
}

// entered returns the sum of the entries of one kind in litres and the variance
// of the sum in square litres: the estimates are assumed to be independent.
func (j *Job) entered(what What) (litres, u2L2 float64) {
	for _, e := range j.Entries {
		if e.What == what {
			litres += e.L
			u2L2 += float64(e.UL * e.UL)
		}
	}
	return litres, u2L2
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
