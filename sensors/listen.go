package sensors

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"math/bits"
	"regexp"
	"slices"
	"strings"
	"time"

	"bayfill/fillcalc"
)

// CommonSettings are the line settings that instruments are delivered with,
// the likeliest first (common practice, no source).
var CommonSettings = []LineSettings{
	{9600, 8, 'N', 1}, {9600, 7, 'E', 1}, {19200, 8, 'N', 1}, {115200, 8, 'N', 1}, {4800, 8, 'N', 1},
	{2400, 8, 'N', 1}, {2400, 7, 'E', 1}, {1200, 8, 'N', 1}, {38400, 8, 'N', 1}, {57600, 8, 'N', 1},
}

// Finding is what one protocol makes of some bytes.
type Finding struct {
	Protocol string
	Options  Options
	Good     int // frames understood
	Bad      int // frames found and not understood
	Last     Reading
	Frame    []byte // the last good one
	Seven    byte   // 'E' or 'O' when the bytes had to be stripped of a parity bit, else 0

	// Of a line: what its pattern names, which of that ever held anything, and how
	// many bytes of the good frames stood in it.
	fields    *regexp.Regexp
	filled    uint // bit i for group i
	explained int

	// OtherRefused says of Modbus that the other kind of register was refused too.
	OtherRefused bool
}

// candidates are the protocols that can be told from the bytes alone.
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

// Judge tries every protocol on bytes that were heard. What explains most of
// them comes first, and of equals what promises least beside; a protocol that
// understood nothing is left out.
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
				f.Seven = parity
			}
		}
		if f.Good > 0 && f.Good >= f.Bad {
			found = append(found, f)
		}
	}
	slices.SortStableFunc(found, Finding.compare)
	return found
}

// compare is negative when f fits better, and 0 when the bytes cannot tell.
func (f Finding) compare(g Finding) int {
	return cmp.Or(cmp.Compare(g.explained, f.explained), cmp.Compare(f.unfilled(), g.unfilled()))
}

// explain counts which bytes of a good frame mean something.
func (f *Finding) explain(frame []byte) {
	if f.fields == nil {
		f.explained += len(frame) // each place of an SMA frame has its meaning
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

// unfilled counts the fields that a pattern names and the frames never had.
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
			// A frame without a unit is understood; the configuration has to name it.
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

// parityOf tells whether every byte carries a parity bit in its eighth.
func parityOf(data []byte) byte {
	high, even := 0, 0
	for _, b := range data {
		if b >= 0x80 {
			high++
		}
		if bits.OnesCount8(b)%2 == 0 {
			even++
		}
	}
	switch {
	case high == 0:
	case even == len(data):
		return 'E'
	case even == 0:
		return 'O'
	}
	return 0
}

// ListenOptions says how to look for an instrument.
type ListenOptions struct {
	Settings []LineSettings // to try in this order
	For      time.Duration  // how long to listen at each
	Ask      bool           // also send harmless questions
	UnitID   int            // Modbus unit to ask
}

// question is sent to instruments that speak only when spoken to.
type question struct {
	what string
	send []byte
}

func questions(unitID int) []question {
	ask := func(function byte) []byte { return appendCRC([]byte{byte(unitID), function, 0, 0, 0, 2}) }
	return []question{
		{"SMA weight request", []byte("\nW\r")},
		// LF first: it ends what the instrument keeps of the question before.
		{"SCPI temperature query", []byte("\nMEASure:TEMPerature?\n")},
		{"Modbus input registers 0-1", ask(4)},
		{"Modbus holding registers 0-1", ask(3)},
	}
}

// Listen opens the port at one setting after another, shows what arrives and
// what each protocol makes of it, and ends with the configuration to use.
func Listen(ctx context.Context, path string, o ListenOptions, out io.Writer) error {
	for _, setting := range o.Settings {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		heading := setting.String()
		port, err := OpenSerial(path, setting, quiet)
		if err != nil {
			return err
		}
		data, err := hear(ctx, port, o.For)
		asked := ""
		var findings []Finding
		if err == nil {
			findings = Judge(data)
			for _, q := range questions(o.UnitID) {
				// What refuses one kind of Modbus register may know the other.
				if !o.Ask || len(data) > 0 && refusal(findings...) != 1 && refusal(findings...) != 2 {
					break
				}
				if _, err = port.Write(q.send); err != nil {
					break
				}
				var answer []byte
				if answer, err = hear(ctx, port, min(o.For, 500*time.Millisecond)); err != nil {
					break
				}
				// An adapter on a two-wire bus hears what it sends.
				if answer = bytes.TrimPrefix(answer, q.send); len(answer) == 0 {
					continue
				}
				judged := judgeAnswer(answer, q, o.UnitID)
				before, now := refusal(findings...), refusal(judged...)
				if before == 0 || len(judged) > 0 && (now == 0 || before == 1) {
					data, asked, findings = answer, q.what, judged
				}
				if before != 0 && now != 0 {
					findings[0].OtherRefused = true
				}
			}
		}
		port.Close()
		if err != nil {
			return err
		}
		if len(data) == 0 {
			fmt.Fprintf(out, "%s  nothing arrives\n", heading)
			continue
		}
		if asked != "" {
			heading += ", after a " + asked
		}
		fmt.Fprintf(out, "%s  %d bytes\n", heading, len(data))
		showBytes(out, data)
		if len(findings) == 0 {
			fmt.Fprintf(out, "    no protocol understands this\n")
			continue
		}
		for _, f := range findings {
			fmt.Fprintf(out, "    %s\n", f.describe())
		}
		best := findings[0]
		equal := 1
		for equal < len(findings) && best.compare(findings[equal]) == 0 {
			equal++
		}
		switch {
		case refusal(findings...) != 0:
			fmt.Fprintf(out, "\nThis is Modbus, and has given no value yet. For the configuration, to be tried:\n")
		case equal > 1:
			fmt.Fprintf(out, "\nThese fit equally well, and the bytes cannot tell which is right: see the instrument's manual. For the configuration, one of:\n")
		default:
			fmt.Fprintf(out, "\nThis fits. For the configuration:\n")
		}
		for _, f := range findings[:equal] {
			if f.Seven != 0 {
				setting.DataBits, setting.Parity = 7, f.Seven
			}
			fmt.Fprintf(out, "\n%s", f.config(path, setting))
		}
		return nil
	}
	return fmt.Errorf("%s: nothing understood at any setting: check cable and power, whether the instrument is set to send, and its manual for speed and protocol", path)
}

// hear collects what arrives for some time; it stops early once there is plenty.
func hear(ctx context.Context, port io.Reader, long time.Duration) ([]byte, error) {
	var data []byte
	buf := make([]byte, 512)
	for end := time.Now().Add(long); time.Now().Before(end) && len(data) < 2000 && ctx.Err() == nil; {
		n, err := port.Read(buf)
		if err != nil {
			return data, fmt.Errorf("the port went away: %w", err)
		}
		data = append(data, buf[:n]...)
	}
	return data, ctx.Err()
}

// judgeAnswer judges the answer to a question; it may be a single frame.
func judgeAnswer(data []byte, q question, unitID int) []Finding {
	switch {
	case strings.HasPrefix(q.what, "SCPI"):
		p, _ := newSCPI(Options{Quantity: Temperature, Unit: "C"})
		if _, frame := p.Split(data); frame != nil {
			if r, _ := p.Parse(frame); !garbled(r.Faults) {
				return []Finding{{Protocol: "scpi", Options: Options{Quantity: Temperature}, Good: 1, Last: r, Frame: frame}}
			}
		}
	case strings.HasPrefix(q.what, "Modbus"):
		o := Options{Quantity: Weight, Unit: "kg", Unit485: unitID, Input: q.send[1] == 4, Type: "float32"}
		p, err := newModbus(o)
		if err != nil {
			return nil
		}
		if advance, frame := p.Split(data); frame != nil && advance > 0 {
			if r, _ := p.Parse(frame); !garbled(r.Faults) {
				return []Finding{{Protocol: "modbus", Options: o, Good: 1, Last: r, Frame: frame}}
			}
		}
	default:
		return Judge(data)
	}
	return nil
}

// refusal is the exception code with which a Modbus instrument answered, or 0.
func refusal(findings ...Finding) byte {
	if len(findings) == 0 || findings[0].Protocol != "modbus" || findings[0].Frame[1]&0x80 == 0 {
		return 0
	}
	return findings[0].Frame[2]
}

func (f Finding) describe() string {
	name := f.Protocol
	if f.Options.Pattern != "" {
		name += " " + f.Options.Pattern
	}
	text := fmt.Sprintf("%s: %d good, %d bad; ", name, f.Good, f.Bad)
	switch {
	case refusal(f) != 0:
		code := refusal(f)
		text += fmt.Sprintf("unit %d answers exception %d: %s", f.Options.Unit485, code, exceptionText(code))
		if f.OtherRefused {
			text += "; the other kind of register was refused too"
		}
	case f.Protocol == "modbus":
		text += fmt.Sprintf("unit %d answers %X: find register and type in its manual", f.Options.Unit485, f.Frame)
	case f.Options.Pattern == "counts":
		text += fmt.Sprintf("%q may be raw counts", f.Frame)
	case f.Last.Faults != 0:
		text += fmt.Sprintf("%q, %s", f.Frame, strings.Join(f.Last.Faults.Names(), ", "))
	case f.Last.Quantity == Temperature:
		text += fmt.Sprintf("%q = %.2f °C", f.Frame, f.Last.Value)
	default:
		text += fmt.Sprintf("%q = %.4f kg", f.Frame, f.Last.Value)
	}
	return text
}

// config writes the finding as the lines of a sensor's configuration.
func (f Finding) config(path string, line LineSettings) string {
	var b strings.Builder
	fmt.Fprintf(&b, "  port: %s\n  line: %s\n  protocol: %s\n", path, line, f.Protocol)
	if f.Options.Pattern != "" {
		fmt.Fprintf(&b, "  pattern: %s\n", f.Options.Pattern)
	}
	if f.Options.Pattern == "counts" {
		b.WriteString("  kg_per_count: 0.0    # from weighing known weights\n  counts_at_zero: 0\n")
	}
	if f.Last.Faults&fillcalc.FaultNoUnit != 0 || f.Protocol == "scpi" {
		b.WriteString("  unit:                # the frames name none: kg, g, lb, oz; C, F, K\n")
	}
	if f.Protocol == "modbus" {
		registers, other := "holding", "input"
		if f.Options.Input {
			registers, other = other, registers
		}
		register := "0"
		if refusal(f) == 2 {
			register = "1          # it has no 0: some manuals count from 1"
			if !f.OtherRefused {
				register += "; or try registers: " + other
			}
		}
		fmt.Fprintf(&b, "  unit_id: %d\n  registers: %s\n  register: %s\n  type: float32\n  unit: kg             # from the instrument's manual\n", f.Options.Unit485, registers, register)
	}
	return b.String()
}

// showBytes prints the first bytes in hexadecimal beside their characters.
func showBytes(out io.Writer, data []byte) {
	for row := 0; row < len(data) && row < 64; row += 16 {
		part := data[row:min(row+16, len(data))]
		text := make([]byte, len(part))
		for i, b := range part {
			text[i] = '.'
			if b >= 0x20 && b < 0x7F {
				text[i] = b
			}
		}
		fmt.Fprintf(out, "    %-48s %s\n", fmt.Sprintf("% x", part), text)
	}
}
