package sensors

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"bayfill/fillcalc"
)

// Protocol describes how one kind of instrument communicates. It is plain data
// and pure functions: it holds no port and reads no clock.
type Protocol struct {
	// Name identifies the protocol in configurations and audits. The meaning of its
	// frames never changes; another meaning needs another name.
	Name string

	// Poll requests one frame and is sent every Sensor.PollEvery. Start makes the
	// instrument send by itself; it is sent after opening and after silence. Both are
	// nil when the instrument streams unasked.
	Poll  []byte
	Start []byte

	// Split finds the first frame in data. It returns how many bytes to discard and
	// the frame among them. A nil frame with advance > 0 means that those bytes are
	// not part of a frame; advance == 0 means that more bytes are needed.
	Split func(data []byte) (advance int, frame []byte)

	// Parse decodes a frame; it never guesses. The error names the field and the
	// byte; the reading then carries fault bits and its value is 0 and meaningless.
	Parse func(frame []byte) (Reading, error)

	// SkipFirst says that a frame can lose its beginning and still look whole, so the
	// first frame after opening is skipped.
	SkipFirst bool
}

// Options are the settings of a sensor's protocol. A zero value means "not given".
type Options struct {
	Quantity Quantity
	Unit     string // kg g lb oz, or C F K
	// CapacityKg is the largest load of the scale; a reading more than a tenth beyond
	// it is a fault.
	CapacityKg float64

	Repeat bool // sma: the scale repeats by itself instead of being polled

	Pattern  string // line: the name of a ready-made pattern, or a regular expression
	Decimals int    // line: decimal places of a number that has no decimal point
	Width    int    // line: exact length of a line in bytes, without its terminator
	// line, modbus: kg = (counts - CountsAtZero) × KgPerCount, when KgPerCount is set
	KgPerCount   float64
	CountsAtZero float64

	Query string // scpi: the query; MEASure:TEMPerature? when empty

	// modbus
	Unit485  int    // unit identifier, 1 to 247
	Input    bool   // input registers (function 4) instead of holding registers (3)
	Register int    // address of the first register, from 0 as on the wire
	Type     string // int16 uint16 int32 uint32 float32
	Order    string // byte order: ABCD (when empty) CDAB BADC DCBA
	Exponent int    // value = register × 10^Exponent
}

// Protocols lists every protocol under its name in the configuration.
var Protocols = []struct {
	Name string
	What string
	New  func(Options) (Protocol, error)
}{
	{"sma", "SMA SCP-0499 scale protocol, polled or repeated", newSMA},
	{"line", "ASCII lines described by a pattern", newLine},
	{"modbus", "Modbus RTU registers", newModbus},
	{"scpi", "SCPI query", newSCPI},
}

// names are what the sentence of a refusal is about.
type names = map[string]string

// refuseOption says what is wrong with an option, by the key of a sentence in the catalogues.
func refuseOption(option, key string, about names) error {
	return &fillcalc.Refusal{Field: option, Text: fillcalc.Text{Key: key, Names: about}}
}

func refuseChoice(option, typed, choices string) error {
	return refuseOption(option, "config.choice", names{"typed": typed, "choices": choices})
}

// inSpan refuses a number outside a range.
func inSpan(option string, typed, least, most int) error {
	if typed >= least && typed <= most {
		return nil
	}
	return refuseOption(option, "config.span", names{"typed": strconv.Itoa(typed), "least": strconv.Itoa(least), "most": strconv.Itoa(most)})
}

// New makes the protocol with the given name. The error joins a [fillcalc.Refusal] for each
// option that is wrong; its field is the option's key in the configuration.
func New(name string, o Options) (Protocol, error) {
	if o.Quantity != Weight && o.Quantity != Temperature {
		return Protocol{}, refuseOption("quantity", "protocol.quantity", nil)
	}
	var bad []error
	if o.Unit != "" {
		_, err := fillcalc.ParseMassUnit([]byte(o.Unit))
		choices := "kg, g, lb, oz"
		if o.Quantity == Temperature {
			_, err = fillcalc.ParseTemperatureUnit([]byte(o.Unit))
			choices = "C, F, K"
		}
		if err != nil {
			bad = append(bad, refuseChoice("unit", o.Unit, choices))
		}
	}
	for _, given := range []struct {
		option string
		value  float64
	}{{"capacity_kg", o.CapacityKg}, {"kg_per_count", o.KgPerCount}, {"counts_at_zero", o.CountsAtZero}} {
		if math.IsNaN(given.value) || math.IsInf(given.value, 0) {
			bad = append(bad, refuseOption(given.option, "protocol.number", names{"typed": strconv.FormatFloat(given.value, 'g', -1, 64)}))
		}
	}
	protocol, err := newNamed(name, o)
	return protocol, errors.Join(append(bad, err)...)
}

func newNamed(name string, o Options) (Protocol, error) {
	known := make([]string, len(Protocols))
	for i, p := range Protocols {
		if p.Name == name {
			return p.New(o)
		}
		known[i] = p.Name
	}
	return Protocol{}, refuseChoice("protocol", name, strings.Join(known, ", "))
}

// frameError says what is wrong with a frame and where.
type frameError struct {
	field string
	at    int // byte in the frame, from 0
	what  string
}

func (e *frameError) Error() string { return fmt.Sprintf("%s, byte %d: %s", e.field, e.at, e.what) }

// refuse makes the reading and the error of a frame without a usable value.
func refuse(q Quantity, faults fillcalc.Faults, field string, at int, format string, args ...any) (Reading, error) {
	return Reading{Quantity: q, Faults: faults}, &frameError{field, at, fmt.Sprintf(format, args...)}
}

// unitRule converts a number to kg or °C. The unit in the frame overrides the
// configured one, because it travels with the value; when the two differ, the
// reading carries FaultUnit.
type unitRule struct {
	quantity   Quantity
	mass       fillcalc.MassUnit
	temp       fillcalc.TemperatureUnit
	capacityKg float64
}

func newUnitRule(o Options) unitRule {
	r := unitRule{quantity: o.Quantity, capacityKg: o.CapacityKg}
	if o.Quantity == Weight {
		r.mass, _ = fillcalc.ParseMassUnit([]byte(o.Unit))
	} else {
		r.temp, _ = fillcalc.ParseTemperatureUnit([]byte(o.Unit))
	}
	return r
}

// value converts the number in a frame. symbol is the unit in the frame, empty
// when it has none; at and unitAt are the bytes to name in an error.
func (r *unitRule) value(shown fillcalc.Decimal, at int, symbol []byte, unitAt int) (Reading, error) {
	if r.quantity == Weight {
		return r.weight(shown, at, symbol, unitAt)
	}
	return r.temperature(shown, at, symbol, unitAt)
}

func (r *unitRule) weight(shown fillcalc.Decimal, at int, symbol []byte, unitAt int) (Reading, error) {
	unit, faults := r.mass, fillcalc.Faults(0)
	if len(symbol) > 0 {
		var err error
		if unit, err = fillcalc.ParseMassUnit(symbol); err != nil {
			return refuse(Weight, fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", unitAt, "%v", err)
		}
		if r.mass != fillcalc.NoMassUnit && r.mass != unit {
			faults = fillcalc.FaultUnit
		}
	}
	if unit == fillcalc.NoMassUnit {
		return refuse(Weight, fillcalc.FaultNoUnit, "unit", unitAt, noUnit)
	}
	kg, ok := unit.Kg(shown)
	if !ok {
		return refuse(Weight, fillcalc.FaultFrame, "value", at, "%v", errDigits)
	}
	if r.overloaded(kg) {
		return refuse(Weight, fillcalc.FaultOverload, "value", at,
			"%.6g kg is beyond the capacity of %.6g kg: a wrong unit, decimals missing, or overload", kg, r.capacityKg)
	}
	return Reading{Quantity: Weight, Value: kg, Faults: faults}, nil
}

// overloaded reports whether a weight is beyond what any scale of this capacity
// shows. Instruments blank their display nine display steps above capacity
// (OIML R 76-1, 4.2.3); a tenth above is beyond that for all of them.
func (r *unitRule) overloaded(kg float64) bool {
	limit := r.capacityKg * 1.1
	return limit > 0 && (kg > limit || kg < -limit)
}

func (r *unitRule) temperature(shown fillcalc.Decimal, at int, symbol []byte, unitAt int) (Reading, error) {
	unit, faults := r.temp, fillcalc.Faults(0)
	if len(symbol) > 0 {
		var err error
		if unit, err = fillcalc.ParseTemperatureUnit(symbol); err != nil {
			return refuse(Temperature, fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", unitAt, "%v", err)
		}
		if r.temp != fillcalc.NoTemperatureUnit && r.temp != unit {
			faults = fillcalc.FaultUnit
		}
	}
	if unit == fillcalc.NoTemperatureUnit {
		return refuse(Temperature, fillcalc.FaultNoUnit, "unit", unitAt, noUnit)
	}
	celsius, ok := unit.Celsius(shown)
	if !ok {
		return refuse(Temperature, fillcalc.FaultFrame, "value", at, "%v", errDigits)
	}
	// No fluid in a workshop is colder or hotter; an open or shorted probe often
	// shows such a value.
	if !(celsius >= -60 && celsius <= 250) {
		return refuse(Temperature, fillcalc.FaultSensor, "value", at, "%.6g °C is no temperature of a fluid: probe open or shorted?", celsius)
	}
	return Reading{Quantity: Temperature, Value: celsius, Faults: faults}, nil
}

const noUnit = "the frame names none and none is configured: set unit"
