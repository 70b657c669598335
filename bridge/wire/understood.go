package wire

import (
	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Understood is an amount of a command that was done, or what an undo took back. The text of an
// amount prints it in its SI unit and,
// in brackets, in the shop's units or as it was written, so that a slip is seen.
type Understood struct {
	Field string `json:"field"`
	Said
}

// understoodAs is the key of an amount, and the name of its figure.
var understoodAs = map[units.Quantity]struct{ key, figure string }{
	units.OfVolume:      {"understood.volume", "both_l"},
	units.OfTemperature: {"understood.temperature", "both_c"},
	units.OfMass:        {"understood.mass", "both_kg"},
	units.OfTorque:      {"understood.torque", "both_nm"},
}

// Understood returns the amounts of the command in the order of its fields, and the uncertainty
// that an estimate gets when none was given. The texts are for
// readers of the shop's units.
func (c *Command) Understood(shop units.System) (amounts []Understood) {
	reader := words.Reader{Language: words.English, Units: shop}
	say := func(field string, t fillcalc.Text) {
		said := Say(t)
		said.Text = reader.Say(t)
		amounts = append(amounts, Understood{field, said})
	}
	for i := range c.typ.Fields {
		f := &c.typ.Fields[i]
		v, given := c.values[f.Name]
		if !given || f.Kind != KindAmount {
			continue
		}
		as := understoodAs[f.Quantity]
		t := fillcalc.Text{Key: as.key, Figures: map[string]float64{as.figure: v.Number}}
		if share, part := c.values["share"]; part && c.Text("what") == string(fillcalc.EnterBottle) {
			t = fillcalc.Text{Key: "understood.share", Figures: map[string]float64{"share_pct": 100 * share.Number, "size_l": v.Number, as.figure: v.Number * share.Number}}
		} else if v.Text != "" {
			t.Names = map[string]string{"written": v.Text}
		}
		say(f.Name, t)
	}
	if l := c.values["l"].Number; c.Do == string(fillcalc.DoEnter) && l > 0 && c.values["u_l"].Number == 0 {
		if u := fillcalc.AssumedUL(fillcalc.What(c.Text("what")), l); u > 0 {
			say("u_l", fillcalc.Text{Key: "understood.assumed", Figures: map[string]float64{"assumed_l": 2 * u}})
		}
	}
	if share, given := c.values["share"]; given && c.Text("what") == string(fillcalc.EnterDipstick) {
		say("share", fillcalc.Text{Key: "understood.dipstick", Figures: map[string]float64{"way_pct": 100 * share.Number}})
	}
	return amounts
}

// TookBack says what an undo takes back, for readers of the shop's units.
func TookBack(what fillcalc.Text, shop units.System) Understood {
	said := Say(what)
	said.Text = words.Reader{Language: words.English, Units: shop}.Say(what)
	return Understood{"do", said}
}
