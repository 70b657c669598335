package config

import (
	"errors"
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
	var bad []error
	seen := map[string]bool{}
	for i := range s.Fluids {
		f, at := &s.Fluids[i], fmt.Sprintf("fluids[%d]", i)
		bad = append(bad, unless(f.Fluid != "" && !seen[f.Fluid], wrong(at+".fluid", "config.unique", "typed", f.Fluid)))
		seen[f.Fluid] = true
		bad = append(bad, within(at, f.Fluid, f.check()))
	}
	if s.Waste != nil {
		bad = append(bad, within("waste", "", s.Waste.check()))
	}
	return errors.Join(bad...)
}

func (f *FluidStock) check() error {
	bad := []error{
		checkDay("date", "config.missing_counted", f.Date),
		checkVolume("counted", &f.Counted, true),
		checkVolume("low", &f.Low, false),
	}
	for i := range f.Bought {
		b, at := &f.Bought[i], fmt.Sprintf("bought[%d]", i)
		bad = append(bad, checkVolume(at+".volume", &b.Volume, true))
		day := checkDay(at+".date", "config.missing_bought", b.Date)
		if day == nil {
			day = unless(b.Date.Ns() >= f.Date.Ns(), wrong(at+".date", "config.bought_early", "typed", b.Date, "counted", f.Date))
		}
		bad = append(bad, day)
	}
	return errors.Join(bad...)
}

func (w *Waste) check() error {
	bad := []error{
		checkDay("emptied", "config.missing_emptied", w.Emptied),
		checkVolume("holds", &w.Holds, true),
	}
	if w.Full.L = fullShare * w.Holds.L; w.Full.Written != "" {
		full := checkVolume("full", &w.Full, true)
		if full == nil {
			full = unless(w.Full.L <= w.Holds.L, wrong("full", "config.full", "typed", w.Full.Written, "holds", w.Holds.Written), "holds")
		}
		bad = append(bad, full)
	}
	return errors.Join(bad...)
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
func notAmount(field string, w units.Written, q units.Quantity) *keyError {
	return wrong(field, "config.amount", "typed", fmt.Sprintf("%.40q", string(w)), "example", q.Example(), "units", q.Symbols())
}

// outside refuses an amount that is too small or too large, with what it is in SI units.
func outside(field string, w units.Written, si, least, most float64, q units.Quantity) *keyError {
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
