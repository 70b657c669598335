package config

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// ServiceData is what a shop looked up for one variant of a transmission: a file
// of its service data folder.
type ServiceData struct {
	File string `yaml:"-"` // where it was read

	Name         string               `yaml:"name"`
	Vehicle      string               `yaml:"vehicle"`
	Transmission string               `yaml:"transmission"`
	Fluid        string               `yaml:"fluid"`         // name of a configured fluid
	Typical      units.Volume         `yaml:"typical"`       // what a refill usually takes
	Total        units.Volume         `yaml:"total"`         // all that the transmission holds
	Check        fillcalc.CheckMethod `yaml:"check"`         // dipstick, overflow
	BetweenMarks units.Volume         `yaml:"between_marks"` // of a dipstick
	Window       ServiceWindow        `yaml:"window"`        // in which the level may be judged
	FirstFill    float64              `yaml:"first_fill"`    // fraction of the target
	BoltTorque   units.Torque         `yaml:"bolt_torque"`   // of the pan
	Bottle       units.Volume         `yaml:"bottle"`        // size of the bottles
	Source       string               `yaml:"source"`        // where the shop looked it up
	Note         string               `yaml:"note"`
}

// ServiceWindow is a range of fluid temperatures.
type ServiceWindow struct {
	Low  units.Temperature `yaml:"low"`
	High units.Temperature `yaml:"high"`
}

// FluidsByName are the configured fluids as the calculation takes them.
func (c *Config) FluidsByName() map[string]fillcalc.Fluid {
	fluids := map[string]fillcalc.Fluid{}
	for i := range c.Fluids {
		fluids[c.Fluids[i].Name] = c.Fluids[i].fluid()
	}
	return fluids
}

// ReadServiceData reads the files of a folder whose names end in .yaml or .yml.
// It gives the good ones by the name that stands in them; the error joins one
// error for each bad file, which names file, line and field and says what would
// be right. The fluid is held against fluids unless they are nil.
func ReadServiceData(dir string, fluids map[string]fillcalc.Fluid) (map[string]ServiceData, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var bad []error
	var read []ServiceData
	files := map[string][]string{}
	for _, e := range entries {
		ending := filepath.Ext(e.Name())
		if e.IsDir() || strings.HasPrefix(e.Name(), ".") || ending != ".yaml" && ending != ".yml" {
			continue // among them what editors leave behind
		}
		path := filepath.Join(dir, e.Name())
		text, err := os.ReadFile(path)
		if err != nil {
			bad = append(bad, err)
			continue
		}
		d, err := parseServiceData(text, fluids)
		if err != nil {
			bad = append(bad, fmt.Errorf("%s: %w", path, err))
			continue
		}
		d.File = path
		read = append(read, d)
		files[d.Name] = append(files[d.Name], e.Name())
	}
	good := map[string]ServiceData{}
	for _, d := range read {
		if same := files[d.Name]; len(same) > 1 {
			// Which of them is the copy that was not finished, nobody can tell.
			bad = append(bad, fmt.Errorf("%s: name: %q stands in %s: each needs a name of its own, none of them is used",
				d.File, d.Name, strings.Join(same, " and ")))
			continue
		}
		good[d.Name] = d
	}
	return good, errors.Join(bad...)
}

// FindServiceData reads the folder anew and picks one: a shop may add a file at any
// time. Bad files do not stand in the way of good ones. The error names those that
// there are.
func FindServiceData(dir, name string, fluids map[string]fillcalc.Fluid) (ServiceData, error) {
	all, bad := ReadServiceData(dir, fluids)
	if d, ok := all[name]; ok {
		return d, nil
	}
	if all == nil {
		return ServiceData{}, bad // the folder cannot be read
	}
	err := fmt.Errorf("%.40q is not in %s, known are %s", name, dir, strings.Join(slices.Sorted(maps.Keys(all)), ", "))
	if bad != nil {
		err = fmt.Errorf("%w; some files are bad: see bayfill service-data", err)
	}
	return ServiceData{}, err
}

// parseServiceData reads and checks one file.
func parseServiceData(text []byte, fluids map[string]fillcalc.Fluid) (ServiceData, error) {
	d := ServiceData{FirstFill: 0.8}
	if err := decodeYAML(text, &d); err != nil {
		return ServiceData{}, err
	}
	for _, line := range []*string{&d.Vehicle, &d.Transmission, &d.Source, &d.Note} {
		*line = strings.Join(strings.Fields(*line), " ") // one may go over several lines of the file
	}
	if err := d.check(fluids); err != nil {
		return ServiceData{}, locate(text, err)
	}
	return d, nil
}

func (d *ServiceData) check(fluids map[string]fillcalc.Fluid) error {
	if !NamePattern.MatchString(d.Name) {
		return fmt.Errorf("name: %.40q must be 1 to 32 of a-z 0-9 - _", d.Name)
	}
	for _, f := range []struct {
		field, text, missing string
	}{
		{"vehicle", d.Vehicle, ""},
		{"transmission", d.Transmission, "say which variant this is"},
		{"fluid", d.Fluid, "name the fluid that goes in"},
		{"source", d.Source, "say where these figures were looked up"},
		{"note", d.Note, ""},
	} {
		switch {
		case f.text == "" && f.missing != "":
			return fmt.Errorf("%s: is missing: %s", f.field, f.missing)
		case len(f.text) > wire.MaxText:
			return fmt.Errorf("%s: %d bytes, at most %d", f.field, len(f.text), wire.MaxText)
		case strings.ContainsFunc(f.text, func(r rune) bool { return r == unicode.ReplacementChar || !unicode.IsPrint(r) }):
			return fmt.Errorf("%s: %.40q holds what cannot be shown", f.field, f.text)
		}
	}
	switch {
	case d.Check == "":
		return fmt.Errorf("check: is missing: say how the level is judged, %s or %s", fillcalc.ByDipstick, fillcalc.ByOverflow)
	case d.Check != fillcalc.ByDipstick && d.Check != fillcalc.ByOverflow:
		return fmt.Errorf("check: %.40q is not one of %s, %s", string(d.Check), fillcalc.ByDipstick, fillcalc.ByOverflow)
	case d.Window.Low.Written == "":
		return errors.New("window.low: is missing: say from which fluid temperature on the level may be judged")
	case d.Window.High.Written == "":
		return errors.New("window.high: is missing: say up to which fluid temperature the level may be judged")
	case !(d.FirstFill >= 0.3 && d.FirstFill <= 1):
		return fmt.Errorf("first_fill: %g is not from 0.3 to 1: it is the part of the target to pour before the engine first runs", d.FirstFill)
	}
	if err := d.convert(); err != nil {
		return err
	}
	switch {
	case d.Check == fillcalc.ByOverflow && d.BetweenMarks.L > 0:
		return errors.New("between_marks: an overflow opening has no marks: leave it out, or check by dipstick")
	case d.Total.L > 0 && d.Typical.L > d.Total.L:
		return fmt.Errorf("typical: %s is more than the total of %s: a refill is a part of the whole", d.Typical.Written, d.Total.Written)
	case d.Total.L > 0 && d.BetweenMarks.L >= d.Total.L:
		return fmt.Errorf("between_marks: %s is no part of the total of %s", d.BetweenMarks.Written, d.Total.Written)
	case d.Window.Low.C >= d.Window.High.C:
		return fmt.Errorf("window: low %s is not below high %s", d.Window.Low.Written, d.Window.High.Written)
	}
	if fluids == nil {
		return nil
	}
	fluid, ok := fluids[d.Fluid]
	if !ok {
		return fmt.Errorf("fluid: %.40q is not configured, known are %s", d.Fluid, strings.Join(slices.Sorted(maps.Keys(fluids)), ", "))
	}
	for _, c := range []float64{d.Window.Low.C, d.Window.High.C} {
		if _, err := fluid.Density(c); err != nil {
			return fmt.Errorf("window: the density of %s is not known there: %w", d.Fluid, err)
		}
	}
	return nil
}

// convert works out what is written. The ranges are wide enough for a lorry and
// narrow enough to find a wrong unit (common practice, no source).
func (d *ServiceData) convert() error {
	for _, f := range []struct {
		field           string
		written         units.Written
		si              *float64
		convert         func(units.Written) (float64, error)
		lowest, highest float64
		unit, means     string
	}{
		{"typical", d.Typical.Written, &d.Typical.L, units.Written.Litres, 0.2, 100, "L", "what a refill usually takes"},
		{"total", d.Total.Written, &d.Total.L, units.Written.Litres, 0.5, 200, "L", "all that the transmission holds"},
		{"between_marks", d.BetweenMarks.Written, &d.BetweenMarks.L, units.Written.Litres, 0.02, 5, "L", "what lies between the marks of the dipstick"},
		{"bottle", d.Bottle.Written, &d.Bottle.L, units.Written.Litres, 0.05, 250, "L", "the size of a bottle or drum"},
		{"window.low", d.Window.Low.Written, &d.Window.Low.C, units.Written.Celsius, 15, 130, "°C", "the fluid temperature from which on the level may be judged"},
		{"window.high", d.Window.High.Written, &d.Window.High.C, units.Written.Celsius, 15, 130, "°C", "the fluid temperature up to which the level may be judged"},
		{"bolt_torque", d.BoltTorque.Written, &d.BoltTorque.NM, units.Written.NewtonMetres, 2, 60, "N·m", "what the bolts of the pan are tightened to"},
	} {
		if f.written == "" {
			continue
		}
		si, err := f.convert(f.written)
		if err != nil {
			return fmt.Errorf("%s: %w", f.field, err)
		}
		if !(si >= f.lowest && si <= f.highest) {
			return fmt.Errorf("%s: %s is %.4g %s: it is %s, from %g to %g %s", f.field, f.written, si, f.unit, f.means, f.lowest, f.highest, f.unit)
		}
		*f.si = si
	}
	return nil
}

// spec is what the service data give to a job; its id, its fluids and what a
// command says otherwise are still to be put in.
func (d ServiceData) Spec() fillcalc.JobSpec {
	return fillcalc.JobSpec{
		Vehicle: d.Vehicle, LowC: d.Window.Low.C, HighC: d.Window.High.C, FirstFill: d.FirstFill, Check: d.Check,
		TypicalL: d.Typical.L, TotalL: d.Total.L, BottleL: d.Bottle.L, BetweenMarksL: d.BetweenMarks.L, AskedFluid: d.Fluid,
		ServiceData: d.Name, Source: d.Source, BoltTorqueNM: d.BoltTorque.NM,
	}
}

// Summary is what a technician asks first, in preferred units.
func (d ServiceData) Summary(system units.System) string {
	text := d.Fluid
	if d.Typical.Written != "" {
		text += ", refill " + system.Volume(d.Typical.L)
	}
	text += fmt.Sprintf(", %s at %s", d.Check, system.Temperature(d.Window.Low.C, d.Window.High.C))
	if d.BoltTorque.Written != "" {
		text += ", bolts " + system.Torque(d.BoltTorque.NM)
	}
	return text
}

// Show is all of it in rows: amounts in preferred units, as written and in SI.
func (d ServiceData) Show(system units.System) []string {
	var rows []string
	text := func(label, value string) {
		if value != "" {
			rows = append(rows, fmt.Sprintf("%-15s %s", label, value))
		}
	}
	amount := func(label, preferred string, written units.Written, si string) {
		if written != "" {
			text(label, fmt.Sprintf("%-14s %-14s %s", preferred, written, si))
		}
	}
	volume := func(label string, v units.Volume) {
		amount(label, system.Volume(v.L), v.Written, fmt.Sprintf("%.3f L", v.L))
	}
	temperature := func(label string, t units.Temperature) {
		amount(label, system.Temperature(t.C), t.Written, fmt.Sprintf("%.1f °C", t.C))
	}
	text("name", d.Name)
	text("vehicle", d.Vehicle)
	text("transmission", d.Transmission)
	text("fluid", d.Fluid)
	text("check", string(d.Check))
	text("first fill", fmt.Sprintf("%g of the target", d.FirstFill))
	amount("", string(system), "as written", "SI")
	temperature("window from", d.Window.Low)
	temperature("window to", d.Window.High)
	volume("typical refill", d.Typical)
	volume("total capacity", d.Total)
	volume("between marks", d.BetweenMarks)
	volume("bottle", d.Bottle)
	amount("bolt torque", system.Torque(d.BoltTorque.NM), d.BoltTorque.Written, fmt.Sprintf("%.2f N·m", d.BoltTorque.NM))
	text("source", d.Source)
	text("note", d.Note)
	text("file", d.File)
	return rows
}
