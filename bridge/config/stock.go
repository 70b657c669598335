package config

import (
	"fmt"
	"time"

	"bayfill/bridge/units"
	"bayfill/bridge/words"
)

// Stock is what the shop has of each fluid, and its container for used oil. The jobs say what
// goes.
type Stock struct {
	Fluids []FluidStock `yaml:"fluids"`
	Waste  *Waste       `yaml:"waste"`
}

// FluidStock is the stock of one fluid: counted on a day, and bought since.
type FluidStock struct {
	Fluid   string       `yaml:"fluid"` // a configured one, or one that is measured on a cart
	Counted units.Volume `yaml:"counted"`
	Date    Day          `yaml:"date"` // when; jobs that ended before do not count
	Bought  []Bought     `yaml:"bought"`
	Low     units.Volume `yaml:"low"` // below it an alert is raised; none: no alert
}

// Bought is a purchase since a fluid was counted.
type Bought struct {
	Volume units.Volume `yaml:"volume"`
	Date   Day          `yaml:"date"`
}

// Waste is the container into which the caddies are emptied.
type Waste struct {
	Holds   units.Volume `yaml:"holds"`
	Emptied Day          `yaml:"emptied"` // when
	Full    units.Volume `yaml:"full"`    // from here on an alert is raised; by default nine tenths
}

// Day is a date, as in 2026-01-31, or a time, as in 2026-01-31T14:30:00+01:00. A date begins
// at midnight in the computer's time zone.
type Day string

// at returns the time.
func (d Day) at() (time.Time, error) {
	if at, err := time.ParseInLocation(time.DateOnly, string(d), time.Local); err == nil {
		return at, nil
	}
	if at, err := time.Parse(time.RFC3339, string(d)); err == nil {
		return at, nil
	}
	return time.Time{}, words.NewError("config.no_day", "typed", fmt.Sprintf("%.40s", string(d)))
}

// Ns returns the time in nanoseconds since 1970. The configuration was checked.
func (d Day) Ns() int64 {
	at, err := d.at()
	if err != nil {
		return 0
	}
	return at.UnixNano()
}

// fullShare of the container is its limit by default: the next caddy must still go in
// (common practice, no source).
const fullShare = 0.9

func (s *Stock) check() error {
	seen := map[string]bool{}
	for i := range s.Fluids {
		f, at := &s.Fluids[i], fmt.Sprintf("fluids[%d]", i)
		if f.Fluid == "" || seen[f.Fluid] {
			return wrong(at+".fluid", "config.unique", "typed", f.Fluid)
		}
		seen[f.Fluid] = true
		if err := f.check(); err != nil {
			return within(at, f.Fluid, err)
		}
	}
	if s.Waste == nil {
		return nil
	}
	if err := s.Waste.check(); err != nil {
		return within("waste", "", err)
	}
	return nil
}

func (f *FluidStock) check() error {
	if err := checkDay("date", "config.missing_counted", f.Date); err != nil {
		return err
	}
	if err := checkVolume("counted", &f.Counted, true); err != nil {
		return err
	}
	if err := checkVolume("low", &f.Low, false); err != nil {
		return err
	}
	for i := range f.Bought {
		b, at := &f.Bought[i], fmt.Sprintf("bought[%d]", i)
		if err := checkVolume(at+".volume", &b.Volume, true); err != nil {
			return err
		}
		if err := checkDay(at+".date", "config.missing_bought", b.Date); err != nil {
			return err
		}
		if b.Date.Ns() < f.Date.Ns() {
			return wrong(at+".date", "config.bought_early", "typed", b.Date, "counted", f.Date)
		}
	}
	return nil
}

func (w *Waste) check() error {
	if err := checkDay("emptied", "config.missing_emptied", w.Emptied); err != nil {
		return err
	}
	if err := checkVolume("holds", &w.Holds, true); err != nil {
		return err
	}
	if w.Full.L = fullShare * w.Holds.L; w.Full.Written == "" {
		return nil
	}
	if err := checkVolume("full", &w.Full, true); err != nil {
		return err
	}
	if w.Full.L > w.Holds.L {
		return wrong("full", "config.full", "typed", w.Full.Written, "holds", w.Holds.Written)
	}
	return nil
}

// checkVolume converts a written volume. One that is not needed may be left out.
func checkVolume(field string, v *units.Volume, needed bool) (err error) {
	if v.Written == "" {
		if needed {
			return wrong(field, "config.volume_missing")
		}
		return nil
	}
	if v.L, err = v.Litres(); err != nil {
		return notAmount(field, v.Written, units.OfVolume)
	}
	const most = 100_000 // a tank lorry and more
	if !(v.L >= 0 && v.L <= most) {
		return outside(field, v.Written, v.L, 0, most, units.OfVolume)
	}
	return nil
}

// notAmount refuses a text that is no amount of a quantity.
func notAmount(field string, w units.Written, q units.Quantity) error {
	return wrong(field, "config.amount", "typed", fmt.Sprintf("%.40q", string(w)), "example", q.Example(), "units", q.Symbols())
}

// outside refuses an amount that is too small or too large, with what it is in SI units.
func outside(field string, w units.Written, si, least, most float64, q units.Quantity) error {
	return wrong(field, "config.amount_span", "typed", w, "si", fmt.Sprintf("%.4g %s", si, q), "least", least, "most", most, "unit", q)
}

// checkDay checks a date that is needed. missing is the key of what is said without it.
func checkDay(field, missing string, d Day) error {
	if d == "" {
		return wrong(field, missing)
	}
	if _, err := d.at(); err != nil {
		return wrong(field, "config.because", "why", err)
	}
	return nil
}
