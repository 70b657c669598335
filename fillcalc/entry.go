package fillcalc

import "fmt"

// What names what somebody enters.
type What string

const (
	EnterSpilled  What = "spilled"  // litres of used fluid that missed the caddy
	EnterRetained What = "retained" // litres of used fluid that left the vehicle in the pan or the filter
	EnterLevel    What = "level"    // litres missing (above zero) or too much before the service, at the check temperature
	EnterBottle   What = "bottle"   // a bottle poured in, where no scale weighs the supply; Share of it
	EnterDipstick What = "dipstick" // a reading: Share of the way from the lower to the upper mark
)

// Entry is something that no sensor sees and somebody tells. Entries of one kind
// add up, and a negative one corrects an earlier one; of Level and Dipstick the
// last one stands.
type Entry struct {
	What What `json:"what"`
	// L is in litres at the reference temperature unless What says otherwise; UL is
	// its standard uncertainty.
	L     float64 `json:"l,omitempty"`
	UL    float64 `json:"u_l,omitempty"`
	Share float64 `json:"share,omitempty"`
	// TempC is the fluid's temperature at the moment, added by the fold; nil when
	// it was not known.
	TempC *float64 `json:"temp_c,omitempty"`
	AtNs  int64    `json:"at_ns,omitempty"`
	By    string   `json:"by,omitempty"`
}

// maxEntries bounds a job's state and messages.
const maxEntries = 200

// checkEntry tells whether an entry can be taken; what was spilled or retained
// cannot become less than nothing.
func (j *Job) checkEntry(e *Entry) error {
	if err := e.check(); err != nil {
		return err
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
	default:
		return fmt.Errorf("what: %q is not one of spilled, retained, level, bottle, dipstick", e.What)
	}
	return nil
}

// entered is the sum of the entries of one kind and the standard uncertainty of
// the sum: different people's estimates are taken to be independent.
func (j *Job) entered(what What) (litres, u2L2 float64) {
	for _, e := range j.Entries {
		if e.What == what {
			litres += e.L
			u2L2 += float64(e.UL * e.UL)
		}
	}
	return litres, u2L2
}

// last is the newest entry of a kind.
func (j *Job) last(what What) (e Entry, ok bool) {
	for i := len(j.Entries) - 1; i >= 0; i-- {
		if j.Entries[i].What == what {
			return j.Entries[i], true
		}
	}
	return Entry{}, false
}
