package wire

import (
	"math"

	"bayfill/fillcalc"
)

// Figures beyond these are possible, but mostly a slip or another unit (common practice, no
// source).
const (
	hotWindowC   = 70 // a window that begins above it
	coldWindowC  = 20 // a window that ends below it: no fluid is that cold in a workshop
	muchL        = 20 // left in the pan, missing before the service, or taken back
	muchSpilledL = 2  // spilled
	leastPanNM   = 2
	mostPanNM    = 60
)

// AskBack looks for figures that are possible but probably not meant, and for an entry
// without its amount. A person who gives a reason (why) insists on them. Service data is not
// asked about: its file names the units.
func (c *Command) AskBack() error {
	if err := c.amountIsThere(); err != nil || c.Text("why") != "" {
		return err
	}
	ask := func(field, key string, figures map[string]float64, names map[string]string) error {
		return &fillcalc.Refusal{Field: field, Text: fillcalc.Text{Key: key, Figures: figures, Names: names}, Insist: true}
	}
	low, lowGiven := c.values["low_c"]
	high, highGiven := c.values["high_c"]
	switch {
	case c.Do == string(fillcalc.DoOpen) && lowGiven && highGiven && low.Number > hotWindowC:
		return ask("low_c", "refuse.window_hot", map[string]float64{"low_c": low.Number, "high_c": high.Number,
			"low": low.Number, "high": high.Number}, nil)
	case c.Do == string(fillcalc.DoOpen) && highGiven && high.Number < coldWindowC:
		return ask("high_c", "refuse.window_cold", map[string]float64{"celsius": math.Round(high.Number), "fahrenheit": math.Round(high.Number*9/5 + 32)}, nil)
	case c.Do == string(fillcalc.DoEnter) && c.isMuch():
		return ask("l", "refuse.much", map[string]float64{"much_l": c.values["l"].Number}, map[string]string{"what": c.Text("what")})
	case c.Do == string(fillcalc.DoRecord):
		for _, field := range []string{"applied", "specified"} {
			if v, given := c.values[field]; given && (v.Number < leastPanNM || v.Number > mostPanNM) {
				return ask(field, "refuse.torque", map[string]float64{"torque_nm": v.Number, "least_nm": leastPanNM, "most_nm": mostPanNM}, nil)
			}
		}
	}
	return nil
}

// isMuch reports whether an entry is more than is likely.
func (c *Command) isMuch() bool {
	what, l := fillcalc.What(c.Text("what")), c.values["l"].Number
	return what != fillcalc.EnterBottle && math.Abs(l) > muchL || what == fillcalc.EnterSpilled && l > muchSpilledL
}

// amountIsThere refuses an entry that enters nothing.
func (c *Command) amountIsThere() error {
	if c.Do != string(fillcalc.DoEnter) {
		return nil
	}
	l, given := c.values["l"]
	switch what := fillcalc.What(c.Text("what")); what {
	case fillcalc.EnterSpilled, fillcalc.EnterRetained:
		if given && l.Number == 0 {
			return &fillcalc.Refusal{Field: "l", Text: fillcalc.Text{Key: "refuse.zero"}}
		}
		fallthrough
	case fillcalc.EnterLevel, fillcalc.EnterBottle:
		if !given {
			return c.typ.MustField("l").missing()
		}
	case fillcalc.EnterDipstick:
		if _, given := c.values["share"]; !given {
			return c.typ.MustField("share").missing()
		}
	}
	return nil
}
