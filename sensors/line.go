package sensors

import (
	"bytes"
	"errors"
	"math"
	"regexp"
	"slices"
	"strings"

	"bayfill/fillcalc"
)

// The protocol "line" reads plain ASCII lines, as most indicators stream them,
// that end with CR, LF or both. A regular expression with named groups describes
// a line:
//
//	value     the number, including sign and blanks
//	counts    the number as raw converter counts, converted to kg by slope and zero
//	unit      kg g lb oz, or C F K, in upper or lower case; may match nothing
//	stable motion overload underload   each is true when the group takes part in the match
//
// The whole line must match. A line that does not is a fault, never a value.
// Resynchronisation: the next line. The first line after opening is skipped,
// because a line that lost its beginning may still look whole.

// Patterns are the ready-made patterns, named by the shape of the line. (Common
// practice, no source: indicators of many makers send such lines.)
var Patterns = []struct{ Name, Example, Expression string }{
	{"status-kind-value-unit", "ST,GS,+0001.250kg",
		`(?:(?P<stable>ST)|(?P<motion>US)|(?P<overload>OL)|(?P<underload>UL)),? *(?:GS|GW|NT|NW),? *(?P<value>[+-]? *\d+[.,]?\d*) *(?P<unit>(?i:kg|g|lbs?|oz)|)`},
	{"value-unit", "   1.250 kg", `\s*(?P<value>[+-]? *\d+[.,]?\d*) *(?P<unit>(?i:kg|g|lbs?|oz)|) *(?P<motion>[?M])? *`},
	{"value", "+0001.250", `\s*(?P<value>[+-]? *\d+[.,]?\d*)\s*`},
	{"counts", "8388607", `\s*(?P<counts>[+-]? *\d+)\s*`},
	{"temperature", "+023.45 C", `\s*(?P<value>[+-]? *\d+[.,]?\d*) *(?:\x{B0}|\x{FFFD})?(?P<unit>(?i:[CFK])|) *`},
}

// maxLineBytes limits a line. No indicator's line is nearly as long.
const maxLineBytes = 200

func newLine(o Options) (Protocol, error) {
	re, err := compilePattern(o.Pattern)
	bad := []error{err, inSpan("decimals", o.Decimals, 0, 9), inSpan("width", o.Width, 0, maxLineBytes)}
	if err == nil && re.SubexpIndex("counts") >= 0 && (o.Quantity != Weight || o.KgPerCount == 0) {
		bad = append(bad, refuseOption("kg_per_count", "protocol.counts_slope", nil))
	}
	if err := errors.Join(bad...); err != nil {
		return Protocol{}, err
	}
	l := linePattern{re: re, rule: newUnitRule(o), decimals: o.Decimals, width: o.Width,
		kgPerCount: o.KgPerCount, countsAtZero: o.CountsAtZero}
	for i, name := range groupNames {
		l.group[i] = re.SubexpIndex(name)
	}
	return Protocol{Name: "line", Split: splitLine, Parse: l.parse, SkipFirst: true}, nil
}

// compilePattern returns the expression of a ready-made pattern or of a written one, and
// checks its groups.
func compilePattern(pattern string) (*regexp.Regexp, error) {
	if pattern == "" {
		return nil, refuseOption("pattern", "protocol.pattern_missing", names{"known": patternNames()})
	}
	expression := pattern
	for _, p := range Patterns {
		if p.Name == pattern {
			expression = p.Expression
		}
	}
	if expression == pattern && !strings.Contains(expression, "(?P<") && !strings.Contains(expression, "(?<") {
		return nil, refuseOption("pattern", "protocol.pattern_unknown", names{"typed": pattern, "known": patternNames()})
	}
	re, err := regexp.Compile(`^(?:` + expression + `)$`)
	if err != nil {
		return nil, refuseOption("pattern", "protocol.pattern_bad", names{"typed": pattern, "reason": err.Error()})
	}
	for i, name := range re.SubexpNames() {
		if name != "" && !slices.Contains(groupNames, name) {
			return nil, refuseOption("pattern", "protocol.group_unknown", names{"typed": name, "choices": strings.Join(groupNames, ", ")})
		}
		if name != "" && i != re.SubexpIndex(name) {
			return nil, refuseOption("pattern", "protocol.group_twice", names{"typed": name})
		}
	}
	if (re.SubexpIndex("value") < 0) == (re.SubexpIndex("counts") < 0) {
		return nil, refuseOption("pattern", "protocol.group_needed", nil)
	}
	return re, nil
}

func patternNames() string {
	names := make([]string, len(Patterns))
	for i, p := range Patterns {
		names[i] = p.Name
	}
	return strings.Join(names, ", ")
}

const (
	groupValue = iota
	groupCounts
	groupUnit
	groupStable
	groupMotion
	groupOverload
	groupUnderload
)

var groupNames = []string{"value", "counts", "unit", "stable", "motion", "overload", "underload"}

func splitLine(data []byte) (advance int, frame []byte) {
	end := bytes.IndexAny(data, "\r\n")
	switch {
	case end > 0 && end <= maxLineBytes:
		return end + 1, data[:end]
	case end == 0: // the second half of CR LF, or an empty line
		n := 1
		for n < len(data) && (data[n] == '\r' || data[n] == '\n') {
			n++
		}
		return n, nil
	case end > maxLineBytes:
		return end, nil
	}
	// Keep enough of a line that is too long, so that its end is not taken for a line
	// of its own.
	return max(0, len(data)-maxLineBytes-1), nil
}

type linePattern struct {
	re           *regexp.Regexp
	rule         unitRule
	group        [7]int // index of each group in groupNames, -1 when the pattern lacks it
	decimals     int
	width        int
	kgPerCount   float64
	countsAtZero float64
}

func (l *linePattern) parse(line []byte) (Reading, error) {
	q := l.rule.quantity
	if i := bytes.IndexByte(line, 0); i >= 0 {
		// The driver delivers a NUL for a character with a parity or framing error.
		return refuse(q, fillcalc.FaultChecksum, "line", i, "a NUL byte: damaged on the wire")
	}
	if l.width > 0 && len(line) != l.width {
		return refuse(q, fillcalc.FaultFrame, "line", len(line), "%d bytes, configured width is %d", len(line), l.width)
	}
	m := l.re.FindSubmatchIndex(line)
	if m == nil {
		return refuse(q, fillcalc.FaultFrame, "line", 0, "%.40q does not match the pattern", line)
	}
	stability := fillcalc.StabilityUnknown
	switch {
	case l.took(m, groupOverload):
		return refuse(q, fillcalc.FaultOverload, "overload", m[2*l.group[groupOverload]], "the scale is overloaded")
	case l.took(m, groupUnderload):
		return refuse(q, fillcalc.FaultUnderload, "underload", m[2*l.group[groupUnderload]], "the scale is below its range")
	case l.took(m, groupMotion):
		stability = fillcalc.InMotion
	case l.took(m, groupStable):
		stability = fillcalc.Stable
	}
	reading, err := l.number(line, m)
	if err == nil {
		reading.Stability = stability
	}
	return reading, err
}

// took reports whether a group took part in the match m.
func (l *linePattern) took(m []int, g int) bool { i := l.group[g]; return i >= 0 && m[2*i] >= 0 }

// number converts the value or the counts of a line that matched as m.
func (l *linePattern) number(line []byte, m []int) (Reading, error) {
	q := l.rule.quantity
	g := l.group[groupValue]
	if g < 0 {
		g = l.group[groupCounts]
	}
	at := m[2*g]
	if at < 0 {
		return refuse(q, fillcalc.FaultFrame, "value", 0, "the line holds none")
	}
	shown, point, err := parseDecimal(line[at:m[2*g+1]], false)
	if err != nil {
		return refuse(q, fillcalc.FaultFrame, "value", at, "%q: %v", line[at:m[2*g+1]], err)
	}
	if l.group[groupCounts] >= 0 {
		return l.rule.counts(shown.Float(), l.kgPerCount, l.countsAtZero, at)
	}
	if !point {
		shown.Exp -= l.decimals
	}
	var symbol []byte
	unitAt := len(line)
	if l.took(m, groupUnit) {
		i := l.group[groupUnit]
		symbol, unitAt = line[m[2*i]:m[2*i+1]], m[2*i]
	}
	return l.rule.value(shown, at, symbol, unitAt)
}

// counts converts raw converter counts to kg.
func (r *unitRule) counts(counts, kgPerCount, countsAtZero float64, at int) (Reading, error) {
	kg := (counts - countsAtZero) * kgPerCount
	if math.IsInf(kg, 0) {
		return refuse(Weight, fillcalc.FaultFrame, "counts", at, "%.6g counts of %.6g kg are no weight", counts, kgPerCount)
	}
	if r.overloaded(kg) {
		return refuse(Weight, fillcalc.FaultOverload, "counts", at, "%.6g kg is beyond the capacity of %.6g kg", kg, r.capacityKg)
	}
	return Reading{Quantity: Weight, Value: kg}, nil
}
