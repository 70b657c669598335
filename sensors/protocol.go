package sensors

import (
	"fmt"
	"math"
	"strings"

	"bayfill/fillcalc"
)

// Protocol is how one kind of instrument speaks. It is plain data and pure
// functions: it holds no port and reads no clock.
type Protocol struct {
	// Name is a promise to the auditor: what its frames mean never changes.
	Name string

	// Poll asks for one frame and is sent again and again; Start makes the
	// instrument send by itself and is sent after opening and after silence. Both
	// are nil when the instrument streams unasked.
	Poll  []byte
	Start []byte

	// Split finds the first frame in data. It returns how many bytes are done with
	// and the frame among them; a nil frame with advance > 0 means that those bytes
	// were no frame. advance == 0 asks for more bytes.
	Split func(data []byte) (advance int, frame []byte)

	// Parse decodes a frame. With an error, which names the field and the byte, the
	// reading carries fault bits and its value means nothing. It never guesses.
	Parse func(frame []byte) (Reading, error)

	// SkipFirst says that the first frame after opening may have lost its head
	// without showing it.
	SkipFirst bool
}

// Options is what the configuration says of a sensor's protocol. Zero values
// mean "not given".
type Options struct {
	Quantity Quantity
	Unit     string // kg g lb oz, or C F K
	// CapacityKg bounds what a scale can show; readings beyond it carry a fault.
	CapacityKg float64

	Repeat bool // sma: let the scale repeat instead of polling it

	Pattern  string // line: a ready-made pattern's name, or a regular expression
	Decimals int    // line: where the point belongs when the frame has none
	Width    int    // line: exact length of a line in bytes, terminator not counted
	// line, modbus: kg = (counts - CountsAtZero) × KgPerCount, when KgPerCount is set
	KgPerCount   float64
	CountsAtZero float64

	Query string // scpi: the question, MEASure:TEMPerature? unless given

	// modbus
	Unit485  int    // unit identifier, 1 to 247
	Input    bool   // input registers (function 4) instead of holding registers (3)
	Register int    // address of the first register, from 0 as on the wire
	Type     string // int16 uint16 int32 uint32 float32
	Order    string // ABCD CDAB BADC DCBA
	Exponent int    // value = register × 10^Exponent
}

// Protocols lists every protocol by the name that the configuration uses.
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

// New makes the protocol of that name. The error names the option and says
// what would be right.
func New(name string, o Options) (Protocol, error) {
	if o.Quantity != Weight && o.Quantity != Temperature {
		return Protocol{}, fmt.Errorf("quantity: a sensor measures weight or temperature")
	}
	if o.Unit != "" {
		var err error
		if o.Quantity == Weight {
			_, err = fillcalc.ParseMassUnit([]byte(o.Unit))
		} else {
			_, err = fillcalc.ParseTemperatureUnit([]byte(o.Unit))
		}
		if err != nil {
			return Protocol{}, fmt.Errorf("unit: %w", err)
		}
	}
	for _, given := range []struct {
		option string
		value  float64
	}{{"capacity_kg", o.CapacityKg}, {"kg_per_count", o.KgPerCount}, {"counts_at_zero", o.CountsAtZero}} {
		if math.IsNaN(given.value) || math.IsInf(given.value, 0) {
			return Protocol{}, fmt.Errorf("%s: %g is not a number to calculate with", given.option, given.value)
		}
	}
	names := make([]string, len(Protocols))
	for i, p := range Protocols {
		if p.Name == name {
			return p.New(o)
		}
		names[i] = p.Name
	}
	return Protocol{}, fmt.Errorf("protocol: %q is not one of %s", name, strings.Join(names, ", "))
}

// frameError names what is wrong with a frame and where.
type frameError struct {
	field string
	at    int // byte in the frame, from 0
	what  string
}

func (e *frameError) Error() string { return fmt.Sprintf("%s, byte %d: %s", e.field, e.at, e.what) }

// refuse makes the reading and the error of a frame that gives no value.
func refuse(q Quantity, faults fillcalc.Faults, field string, at int, format string, args ...any) (Reading, error) {
	return Reading{Quantity: q, Faults: faults}, &frameError{field, at, fmt.Sprintf(format, args...)}
}

// unitRule settles a frame's unit against the configured one: the frame's own
// wins, since it travels with the value; that they differ is told.
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

// value converts what the frame shows; symbol is empty when the frame names no
// unit. at and unitAt are the bytes to name in an error.
func (r unitRule) value(shown fillcalc.Decimal, at int, symbol []byte, unitAt int) (Reading, error) {
	reading := Reading{Quantity: r.quantity}
	var ok bool
	switch r.quantity {
	case Weight:
		unit := r.mass
		if len(symbol) > 0 {
			framed, err := fillcalc.ParseMassUnit(symbol)
			if err != nil {
				return refuse(r.quantity, fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", unitAt, "%v", err)
			}
			if unit != fillcalc.NoMassUnit && unit != framed {
				reading.Faults |= fillcalc.FaultUnit
			}
			unit = framed
		}
		if unit == fillcalc.NoMassUnit {
			return refuse(r.quantity, fillcalc.FaultNoUnit, "unit", unitAt, "the frame names none and none is configured: set unit")
		}
		reading.Value, ok = unit.Kg(shown)
		// Nine display steps above capacity is where instruments blank their display
		// (OIML R 76-1, 4.2.3); a tenth above is beyond any of them.
		if limit := r.capacityKg * 1.1; ok && limit > 0 && (reading.Value > limit || reading.Value < -limit) {
			return refuse(r.quantity, fillcalc.FaultOverload, "value", at,
				"%.6g kg is beyond the capacity of %.6g kg: a wrong unit, decimals missing, or overload", reading.Value, r.capacityKg)
		}
	case Temperature:
		unit := r.temp
		if len(symbol) > 0 {
			framed, err := fillcalc.ParseTemperatureUnit(symbol)
			if err != nil {
				return refuse(r.quantity, fillcalc.FaultUnit|fillcalc.FaultFrame, "unit", unitAt, "%v", err)
			}
			if unit != fillcalc.NoTemperatureUnit && unit != framed {
				reading.Faults |= fillcalc.FaultUnit
			}
			unit = framed
		}
		if unit == fillcalc.NoTemperatureUnit {
			return refuse(r.quantity, fillcalc.FaultNoUnit, "unit", unitAt, "the frame names none and none is configured: set unit")
		}
		reading.Value, ok = unit.Celsius(shown)
		// Nothing in a workshop's fluid is colder or hotter; an open or shorted probe
		// often shows such a value.
		if ok && !(reading.Value >= -60 && reading.Value <= 250) {
			return refuse(r.quantity, fillcalc.FaultSensor, "value", at, "%.6g °C is no temperature of a fluid: probe open or shorted?", reading.Value)
		}
	}
	if !ok {
		return refuse(r.quantity, fillcalc.FaultFrame, "value", at, "too many digits")
	}
	return reading, nil
}
