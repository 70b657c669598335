package sensors

import (
	"bytes"
	"cmp"
	"errors"
	"strings"

	"bayfill/fillcalc"
)

// newSCPI makes SCPI-99 over a serial line (number formats of IEEE 488.2): a query
// that ends with LF, and an answer that is one number, NR1 to NR3, and ends with
// LF. 9.91E37 stands for "not a number" and ±9.9E37 for the infinities (overload,
// open probe): these parse as numbers but are not readings.
func newSCPI(o Options) (Protocol, error) {
	if o.Quantity != Temperature {
		return Protocol{}, refuseOption("protocol", "protocol.only_probe", names{"typed": "scpi"})
	}
	var bad []error
	if o.Unit == "" {
		bad = append(bad, refuseOption("unit", "protocol.scpi_unit", nil))
	}
	query := cmp.Or(o.Query, "MEASure:TEMPerature?")
	if !strings.HasSuffix(query, "?") || strings.ContainsAny(query, "\r\n") {
		bad = append(bad, refuseOption("query", "protocol.query", names{"typed": query}))
	}
	if bad != nil {
		return Protocol{}, errors.Join(bad...)
	}
	rule := newUnitRule(o)
	return Protocol{
		Name: "scpi", Poll: []byte(query + "\n"), Split: splitLine,
		Parse: func(frame []byte) (Reading, error) { return parseSCPI(&rule, frame) },
		// The first answer may belong to a query sent before the port was opened, and
		// may lack its beginning.
		SkipFirst: true,
	}, nil
}

func parseSCPI(rule *unitRule, frame []byte) (Reading, error) {
	if i := bytes.IndexByte(frame, 0); i >= 0 {
		return refuse(Temperature, fillcalc.FaultChecksum, "answer", i, "a NUL byte: damaged on the wire")
	}
	if comma := bytes.IndexByte(frame, ','); comma >= 0 {
		return refuse(Temperature, fillcalc.FaultFrame, "answer", comma, "%.60q is a list or an error message, want one number", frame)
	}
	shown, _, err := parseDecimal(frame, true)
	if err != nil {
		return refuse(Temperature, fillcalc.FaultFrame, "answer", 0, "%.60q: %v", frame, err)
	}
	if v := shown.Float(); v >= 9.9e37 || v <= -9.9e37 {
		return refuse(Temperature, fillcalc.FaultSensor, "answer", 0, "%.3g stands for no reading: probe open or out of range", v)
	}
	return rule.value(shown, 0, nil, len(frame))
}
