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
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// ServiceData is what a shop has looked up for one variant of a transmission, a file in
// its service data folder.
type ServiceData struct {
	File string `yaml:"-"` // the path that it was read from

	Name         string               `yaml:"name"`
	Vehicle      string               `yaml:"vehicle"`
	Transmission string               `yaml:"transmission"`
	Fluid        string               `yaml:"fluid"`         // name of a configured fluid
	Typical      units.Volume         `yaml:"typical"`       // of a usual refill
	Total        units.Volume         `yaml:"total"`         // the transmission's capacity
	Check        fillcalc.CheckMethod `yaml:"check"`         // dipstick, overflow
	BetweenMarks units.Volume         `yaml:"between_marks"` // of the dipstick
	Window       ServiceWindow        `yaml:"window"`        // in which the level may be judged
	FirstFill    float64              `yaml:"first_fill"`    // fraction of the target
	BoltTorque   units.Torque         `yaml:"bolt_torque"`   // of the pan
	Bottle       units.Volume         `yaml:"bottle"`        // size of the bottles
	EmptyBottle  units.Mass           `yaml:"empty_bottle"`  // weight of an empty one
	Passes       int                  `yaml:"passes"`        // how many times it is drained and filled; 0: once
	Gears        string               `yaml:"gears"`         // to work, in their order, separated by spaces
	Source       string               `yaml:"source"`        // where the shop looked it up
	Note         string               `yaml:"note"`
}

// ServiceWindow is a range of fluid temperatures.
type ServiceWindow struct {
	Low  units.Temperature `yaml:"low"`
	High units.Temperature `yaml:"high"`
}

// FluidsByName returns the configured fluids in the form that the calculation needs.
func (c *Config) FluidsByName() map[string]fillcalc.Fluid {
	fluids := map[string]fillcalc.Fluid{}
	for i := range c.Fluids {
		fluids[c.Fluids[i].Name] = c.Fluids[i].fluid()
	}
	return fluids
}

// ReadServiceData reads the files of a folder whose names end in .yaml or .yml. It returns
// the good ones by the name in them. The error joins all that is wrong with the others, see
// [Faults]: each names file, line and field and says what would be right. The fluid must be
// one of fluids, unless they are nil.
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
			continue // other files, among them those that editors leave behind
		}
		path := filepath.Join(dir, e.Name())
		text, err := os.ReadFile(path)
		if err != nil {
			bad = append(bad, err)
			continue
		}
		d, err := parseServiceData(text, fluids)
		if err != nil {
			bad = append(bad, InFile(path, err))
			continue
		}
		d.File = path
		read = append(read, d)
		files[d.Name] = append(files[d.Name], e.Name())
	}
	good := map[string]ServiceData{}
	for _, d := range read {
		if same := files[d.Name]; len(same) > 1 {
			// The program cannot know which of them is the unfinished copy.
			bad = append(bad, fmt.Errorf("%s: %w", d.File, words.NewError("config.name_shared", "typed", d.Name, "files", strings.Join(same, ", "))))
			continue
		}
		good[d.Name] = d
	}
	return good, errors.Join(bad...)
}

// ServiceDataStamp returns a text that changes when a file of the folder is added, removed,
// renamed or written. It is empty only without a folder.
func ServiceDataStamp(dir string) string {
	if dir == "" {
		return ""
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err.Error()
	}
	stamp := strings.Builder{}
	stamp.WriteString(dir)
	for _, e := range entries {
		if info, err := e.Info(); err == nil {
			fmt.Fprintf(&stamp, "\n%s %d %d", e.Name(), info.Size(), info.ModTime().UnixNano())
		}
	}
	return stamp.String()
}

// FindServiceData reads the folder again, since a shop may add a file at any time, and
// returns one of its service data. Bad files do not affect good ones. The error lists the
// names that exist.
func FindServiceData(dir, name string, fluids map[string]fillcalc.Fluid) (ServiceData, error) {
	all, bad := ReadServiceData(dir, fluids)
	if d, ok := all[name]; ok {
		return d, nil
	}
	if all == nil {
		return ServiceData{}, bad // the folder cannot be read
	}
	err := words.NewError("config.no_service_data", "typed", fmt.Sprintf("%.40s", name), "path", dir, "known", strings.Join(slices.Sorted(maps.Keys(all)), ", "))
	if bad != nil {
		err = words.NewError("config.some_bad", "why", err)
	}
	return ServiceData{}, err
}

// parseServiceData reads and checks one file.
func parseServiceData(text []byte, fluids map[string]fillcalc.Fluid) (ServiceData, error) {
	d := ServiceData{FirstFill: 0.8}
	err := readYAML(text, &d, func() error {
		for _, line := range []*string{&d.Vehicle, &d.Transmission, &d.Source, &d.Note} {
			*line = strings.Join(strings.Fields(*line), " ") // it may span several lines of the file
		}
		return d.check(fluids)
	})
	if err != nil {
		return ServiceData{}, err
	}
	return d, nil
}

// checks are the ways to judge a level.
var checks = []fillcalc.CheckMethod{fillcalc.ByDipstick, fillcalc.ByOverflow}

func (d *ServiceData) check(fluids map[string]fillcalc.Fluid) error {
	method := oneOf("check", d.Check, checks...)
	if d.Check == "" {
		method = wrong("check", "config.missing_check", "choices", listed(checks))
	}
	written := errors.Join(
		unless(NamePattern.MatchString(d.Name), wrong("name", "config.name", "typed", fmt.Sprintf("%.40s", d.Name))),
		d.checkTexts(),
		method,
		unless(d.Window.Low.Written != "", wrong("window.low", "config.missing_low")),
		unless(d.Window.High.Written != "", wrong("window.high", "config.missing_high")),
		unless(d.FirstFill >= 0.3 && d.FirstFill <= 1, wrong("first_fill", "config.first_fill", "typed", d.FirstFill)),
		d.convert(),
	)
	return errors.Join(written, d.checkConverted(), d.checkFluid(fluids))
}

// checkConverted compares the converted amounts.
func (d *ServiceData) checkConverted() error {
	return errors.Join(
		unless(d.Check != fillcalc.ByOverflow || d.BetweenMarks.L <= 0, wrong("between_marks", "config.no_marks")),
		unless(d.Total.L <= 0 || d.Typical.L <= d.Total.L, wrong("typical", "config.typical", "typed", d.Typical.Written, "total", d.Total.Written), "total"),
		unless(d.Total.L <= 0 || d.BetweenMarks.L < d.Total.L, wrong("between_marks", "config.marks", "typed", d.BetweenMarks.Written, "total", d.Total.Written), "total"),
		unless(d.Window.Low.C < d.Window.High.C, wrong("window", "config.window", "low", d.Window.Low.Written, "high", d.Window.High.Written), "window.low", "window.high"),
	)
}

// checkFluid checks that the fluid is a configured one whose density is known in the window.
func (d *ServiceData) checkFluid(fluids map[string]fillcalc.Fluid) error {
	if fluids == nil || d.Fluid == "" {
		return nil
	}
	fluid, ok := fluids[d.Fluid]
	if !ok {
		return wrong("fluid", "config.which_fluid", "typed", fmt.Sprintf("%.40s", d.Fluid), "known", strings.Join(slices.Sorted(maps.Keys(fluids)), ", "))
	}
	for _, c := range []float64{d.Window.Low.C, d.Window.High.C} {
		if _, err := fluid.Density(c); err != nil {
			return unless(false, wrong("window", "config.fluid_density", "fluid", d.Fluid, "why", err), "window.low", "window.high")
		}
	}
	return nil
}

func (d *ServiceData) checkTexts() error {
	var bad []error
	for _, f := range []struct {
		field, text, missing string
	}{
		{"vehicle", d.Vehicle, ""},
		{"transmission", d.Transmission, "config.missing_transmission"},
		{"fluid", d.Fluid, "config.missing_fluid"},
		{"source", d.Source, "config.missing_source"},
		{"note", d.Note, ""},
	} {
		switch {
		case f.text == "" && f.missing != "":
			bad = append(bad, wrong(f.field, f.missing))
		case len(f.text) > wire.MaxText:
			bad = append(bad, wrong(f.field, "config.too_long", "bytes", len(f.text), "most", wire.MaxText))
		case strings.ContainsFunc(f.text, func(r rune) bool { return r == unicode.ReplacementChar || !unicode.IsPrint(r) }):
			bad = append(bad, wrong(f.field, "config.printable", "typed", strings.Trim(fmt.Sprintf("%.40q", f.text), `"`)))
		}
	}
	return errors.Join(append(bad,
		unless(d.Passes >= 0 && d.Passes <= fillcalc.MaxPasses, wrong("passes", "config.span", "typed", d.Passes, "least", 1, "most", fillcalc.MaxPasses)),
		because("gears", fillcalc.CheckGears(d.Gears)),
	)...)
}

// convert converts the written amounts to SI units. The ranges are wide enough for a
// lorry and narrow enough to find a wrong unit (common practice, no source).
func (d *ServiceData) convert() error {
	var bad []error
	for _, f := range []struct {
		field    string
		written  units.Written
		si       *float64
		convert  func(units.Written) (float64, error)
		min, max float64
		quantity units.Quantity
	}{
		{"typical", d.Typical.Written, &d.Typical.L, units.Written.Litres, 0.2, 100, units.OfVolume},
		{"total", d.Total.Written, &d.Total.L, units.Written.Litres, 0.5, 200, units.OfVolume},
		{"between_marks", d.BetweenMarks.Written, &d.BetweenMarks.L, units.Written.Litres, 0.02, 5, units.OfVolume},
		{"bottle", d.Bottle.Written, &d.Bottle.L, units.Written.Litres, 0.05, 250, units.OfVolume},
		{"empty_bottle", d.EmptyBottle.Written, &d.EmptyBottle.Kg, units.Written.Kilograms, 0.005, 5, units.OfMass},
		{"window.low", d.Window.Low.Written, &d.Window.Low.C, units.Written.Celsius, 15, 130, units.OfTemperature},
		{"window.high", d.Window.High.Written, &d.Window.High.C, units.Written.Celsius, 15, 130, units.OfTemperature},
		{"bolt_torque", d.BoltTorque.Written, &d.BoltTorque.NM, units.Written.NewtonMetres, 2, 60, units.OfTorque},
	} {
		if f.written == "" {
			continue
		}
		si, err := f.convert(f.written)
		if err != nil {
			bad = append(bad, notAmount(f.field, f.written, f.quantity))
		} else if !(si >= f.min && si <= f.max) {
			bad = append(bad, outside(f.field, f.written, si, f.min, f.max, f.quantity))
		} else {
			*f.si = si
		}
	}
	return errors.Join(bad...)
}

// Spec returns the part of a job's specification that comes from the service data. The
// caller adds its id, its fluids and what the command sets itself.
func (d ServiceData) Spec() fillcalc.JobSpec {
	return fillcalc.JobSpec{
		Vehicle: d.Vehicle, LowC: d.Window.Low.C, HighC: d.Window.High.C, FirstFill: d.FirstFill, Check: d.Check,
		TypicalL: d.Typical.L, TotalL: d.Total.L, BottleL: d.Bottle.L, EmptyBottleKg: d.EmptyBottle.Kg, BetweenMarksL: d.BetweenMarks.L, AskedFluid: d.Fluid,
		ServiceData: d.Name, Source: d.Source, BoltTorqueNM: d.BoltTorque.NM, Gears: d.Gears, Passes: d.Passes,
	}
}

// Summary returns the most important figures in one line, for a reader.
func (d ServiceData) Summary(r words.Reader) string {
	parts := []string{d.Fluid}
	add := func(key string, names map[string]string) {
		parts = append(parts, r.Say(fillcalc.Text{Key: key, Names: names}))
	}
	if d.Typical.Written != "" {
		add("service.refill", map[string]string{"refill": r.Units.Volume(d.Typical.L)})
	}
	add("service.by_"+string(d.Check), map[string]string{"low": r.Units.TemperatureUnit().Exact(d.Window.Low.C), "high": r.Units.Temperature(d.Window.High.C)})
	if d.BoltTorque.Written != "" {
		add("service.bolts", map[string]string{"torque": r.Units.Torque(d.BoltTorque.NM)})
	}
	return strings.Join(parts, ", ")
}

// Show returns all fields in rows, with amounts in a reader's units, as written and in SI.
func (d ServiceData) Show(r words.Reader) []string {
	var rows []string
	text := func(label, value string) {
		if value != "" {
			rows = append(rows, fmt.Sprintf("%-20s %s", label, value))
		}
	}
	amount := func(key, preferred string, written units.Written, si string) {
		if written != "" {
			text(r.Word(key), fmt.Sprintf("%-14s %-14s %s", preferred, written, si))
		}
	}
	volume := func(key string, v units.Volume) {
		amount(key, r.Units.Volume(v.L), v.Written, fmt.Sprintf("%.3f L", v.L))
	}
	temperature := func(key string, t units.Temperature) {
		amount(key, r.Units.Temperature(t.C), t.Written, fmt.Sprintf("%.1f °C", t.C))
	}
	text(r.Word("service.name"), d.Name)
	text(r.Word("service.vehicle"), d.Vehicle)
	text(r.Word("service.transmission"), d.Transmission)
	text(r.Word("service.fluid"), d.Fluid)
	text(r.Word("service.check"), r.Word("check."+string(d.Check)))
	text(r.Word("service.first_fill"), r.Say(fillcalc.Text{Key: "service.of_target", Names: map[string]string{"share": fmt.Sprint(d.FirstFill)}}))
	text("", fmt.Sprintf("%-14s %-14s SI", r.Units, r.Word("service.written")))
	temperature("service.window_from", d.Window.Low)
	temperature("service.window_to", d.Window.High)
	volume("service.typical", d.Typical)
	volume("service.total", d.Total)
	volume("service.between_marks", d.BetweenMarks)
	volume("service.bottle", d.Bottle)
	amount("service.empty_bottle", r.Units.Mass(d.EmptyBottle.Kg), d.EmptyBottle.Written, fmt.Sprintf("%.3f kg", d.EmptyBottle.Kg))
	amount("service.bolt_torque", r.Units.Torque(d.BoltTorque.NM), d.BoltTorque.Written, fmt.Sprintf("%.2f N·m", d.BoltTorque.NM))
	text(r.Word("service.source"), d.Source)
	text(r.Word("service.note"), d.Note)
	text(r.Word("service.file"), d.File)
	return rows
}
