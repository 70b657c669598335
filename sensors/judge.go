package sensors

import (
	"cmp"
	"math/bits"
	"regexp"
	"slices"
)

// Finding is what one protocol makes of received bytes.
type Finding struct {
	Protocol string
	Options  Options
	Good     int     // frames understood
	Bad      int     // frames found but not understood
	Last     Reading // of the last good frame
	Frame    []byte  // the last good frame
	Parity   byte    // 'E' or 'O' when the bytes made sense only as seven bits with that parity, else 0

	// OtherRefused says that a Modbus instrument refused the other kind of register
	// too.
	OtherRefused bool

	// These rank patterns of lines against each other.
	fields    *regexp.Regexp // the pattern; nil for other protocols
	filled    uint           // bit i is set when group i matched anything in any frame
	explained int            // bytes of the good frames that are part of a field
}

// candidates are the protocols that can be recognised from bytes alone.
func candidates() []Finding {
	list := []Finding{{Protocol: "sma", Options: Options{Quantity: Weight}}}
	for _, p := range Patterns {
		o := Options{Quantity: Weight, Pattern: p.Name}
		switch p.Name {
		case "counts":
			o.KgPerCount = 1
		case "temperature":
			o.Quantity = Temperature
		}
		list = append(list, Finding{Protocol: "line", Options: o, fields: regexp.MustCompile("^(?:" + p.Expression + ")$")})
	}
	return list
}

// Judge tries every protocol on received bytes. The protocol that explains the
// most bytes comes first; among equals, the one with the fewest fields that never
// occurred. Protocols that understood nothing, or less than half of the frames
// they found, are left out.
func Judge(data []byte) []Finding {
	var found []Finding
	for _, f := range candidates() {
		f.weigh(data)
		if f.Good == 0 {
			if parity := parityOf(data); parity != 0 {
				stripped := make([]byte, len(data))
				for i, b := range data {
					stripped[i] = b & 0x7F
				}
				f.Bad = 0
				f.weigh(stripped)
				f.Parity = parity
			}
		}
		if f.Good > 0 && f.Good >= f.Bad {
			found = append(found, f)
		}
	}
	slices.SortStableFunc(found, Finding.compare)
	return found
}

// compare is negative when f fits better than g, and 0 when the bytes do not
// decide between them.
func (f Finding) compare(g Finding) int {
	return cmp.Or(cmp.Compare(g.explained, f.explained), cmp.Compare(f.unfilled(), g.unfilled()))
}

// weigh counts the good and bad frames in data.
func (f *Finding) weigh(data []byte) {
	p, err := New(f.Protocol, f.Options)
	if err != nil {
		return
	}
	skip := p.SkipFirst
	for len(data) > 0 {
		advance, frame := p.Split(data)
		if advance == 0 {
			return
		}
		data = data[advance:]
		switch {
		case frame == nil:
		case skip:
			skip = false
		default:
			r, _ := p.Parse(frame)
			// A frame without a unit counts as understood: the configuration can name it.
			if garbled(r.Faults) {
				f.Bad++
				continue
			}
			f.Good++
			f.Last, f.Frame = r, frame
			f.explain(frame)
		}
	}
}

// explain counts the bytes of a good frame that are part of a field.
func (f *Finding) explain(frame []byte) {
	if f.fields == nil {
		f.explained += len(frame) // every position of an SMA frame has a meaning
		return
	}
	at := f.fields.FindSubmatchIndex(frame)
	for i, name := range f.fields.SubexpNames() {
		if name != "" && at[2*i+1] > at[2*i] {
			f.explained += at[2*i+1] - at[2*i]
			f.filled |= 1 << i
		}
	}
}

// unfilled counts the fields of a pattern that were empty in every frame.
func (f *Finding) unfilled() int {
	if f.fields == nil {
		return 0
	}
	n := -bits.OnesCount(f.filled)
	for _, name := range f.fields.SubexpNames() {
		if name != "" {
			n++
		}
	}
	return n
}

// parityOf is 'E' or 'O' when the eighth bit of every byte is an even or odd
// parity bit, and 0 when it is not, or is never set.
func parityOf(data []byte) byte {
	var stats byteStats
	stats.add(data)
	switch stats.cause() {
	case SevenEven:
		return 'E'
	case SevenOdd:
		return 'O'
	}
	return 0
}

// judgeAnswer judges the answer to a question, which may be a single frame.
func judgeAnswer(data []byte, q question) []Finding {
	if q.protocol == "sma" {
		// Judge also recognises seven bits with parity, and an instrument of another
		// protocol that begins to stream just now.
		return Judge(data)
	}
	p, err := New(q.protocol, q.options)
	if err != nil {
		return nil
	}
	_, frame := p.Split(data)
	if frame == nil {
		return nil
	}
	r, _ := p.Parse(frame)
	if garbled(r.Faults) {
		return nil
	}
	return []Finding{{Protocol: q.protocol, Options: q.options, Good: 1, Last: r, Frame: frame}}
}

// exceptionCode is the code of the exception with which a Modbus instrument
// answered, 0 when it did not.
func exceptionCode(findings ...Finding) byte {
	if len(findings) == 0 || findings[0].Protocol != "modbus" || findings[0].Frame[1]&0x80 == 0 {
		return 0
	}
	return findings[0].Frame[2]
}
