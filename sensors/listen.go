package sensors

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strconv"
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

// ListenOptions say how to look for an instrument.
type ListenOptions struct {
	Settings []LineSettings // to try, in this order
	For      time.Duration  // how long to listen at each
	Ask      bool           // also send harmless requests
	UnitID   int            // Modbus unit to ask
	// Record receives what arrives at the setting that is understood, for [Recorder]'s For
	// longer; nil: nothing is recorded.
	Record *Recorder
	// Say makes the sentences that are written.
	Say func(fillcalc.Text) string
}

func (o *ListenOptions) say(key string, about names) string {
	return o.Say(fillcalc.Text{Key: key, Names: about})
}

// question is a request for instruments that send only when asked.
type question struct {
	what     string // a key
	send     []byte
	protocol string // and options: to read the answer by
	options  Options
}

func questions(unitID int) []question {
	modbus := func(what string, function byte) question {
		return question{what, appendCRC([]byte{byte(unitID), function, 0, 0, 0, 2}), "modbus",
			Options{Quantity: Weight, Unit: "kg", Unit485: unitID, Input: function == 4, Type: "float32"}}
	}
	return []question{
		{"listen.ask_sma", []byte("\nW\r"), "sma", Options{Quantity: Weight}},
		// LF first: it ends what the instrument has kept of the request before.
		{"listen.ask_scpi", []byte("\nMEASure:TEMPerature?\n"), "scpi", Options{Quantity: Temperature, Unit: "C"}},
		modbus("listen.ask_input", 4),
		modbus("listen.ask_holding", 3),
	}
}

// heard is what arrived at one setting and what the protocols make of it.
type heard struct {
	data     []byte
	question string // what the data answer; empty when they arrived unasked
	send     []byte // the question itself
	findings []Finding
}

// Listen opens the port at path with one setting after another until a protocol
// understands what arrives. It writes to out what it received, what each protocol
// makes of it, and the configuration to use. The error is that of ctx or of the
// port, or says that nothing was understood at any setting.
func Listen(ctx context.Context, path string, o ListenOptions, out io.Writer) error {
	for _, setting := range o.Settings {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		h, err := listenAt(ctx, path, setting, o)
		if err != nil {
			return err
		}
		h.show(out, setting, &o)
		if len(h.findings) > 0 {
			h.conclude(out, path, setting, &o)
			return o.Record.record(ctx, path, setting, h.send)
		}
	}
	return &fillcalc.Refusal{Field: path, Text: fillcalc.Text{Key: "listen.not_understood"}}
}

func listenAt(ctx context.Context, path string, setting LineSettings, o ListenOptions) (heard, error) {
	port, err := OpenSerial(path, setting, quiet)
	if err != nil {
		return heard{}, err
	}
	defer port.Close()
	data, err := receive(ctx, port, o.For)
	if err != nil {
		return heard{}, err
	}
	h := heard{data: data, findings: Judge(data)}
	if o.Ask {
		err = h.ask(ctx, port, o)
	}
	return h, err
}

// receive collects what arrives within a time; it stops early once it has plenty.
func receive(ctx context.Context, port io.Reader, within time.Duration) ([]byte, error) {
	const plenty = 2000 // bytes
	var data []byte
	buf := make([]byte, 512)
	for end := time.Now().Add(within); time.Now().Before(end) && len(data) < plenty && ctx.Err() == nil; {
		n, err := port.Read(buf)
		if err != nil {
			return data, wentAway(err)
		}
		data = append(data, buf[:n]...)
	}
	return data, ctx.Err()
}

// wentAway is the error of a port that cannot be read any more.
func wentAway(err error) error {
	return &fillcalc.Refusal{Text: fillcalc.Text{Key: "listen.went_away", Names: names{"reason": err.Error()}}}
}

// ask sends the questions one after another until one is answered.
func (h *heard) ask(ctx context.Context, port io.ReadWriter, o ListenOptions) error {
	for _, q := range questions(o.UnitID) {
		// An instrument that refuses one kind of Modbus register may have the other.
		code := exceptionCode(h.findings...)
		if len(h.data) > 0 && code != unknownFunction && code != unknownRegister {
			return nil
		}
		if _, err := port.Write(q.send); err != nil {
			return err
		}
		answer, err := receive(ctx, port, min(o.For, 500*time.Millisecond))
		if err != nil {
			return err
		}
		// The adapter of a two-wire bus may receive what it sends itself.
		if answer = bytes.TrimPrefix(answer, q.send); len(answer) > 0 {
			h.take(answer, q)
		}
	}
	return nil
}

// take adopts an answer, unless it says less than the exception before it.
func (h *heard) take(answer []byte, q question) {
	judged := judgeAnswer(answer, q)
	before, now := exceptionCode(h.findings...), exceptionCode(judged...)
	if before == 0 || len(judged) > 0 && (now == 0 || before == unknownFunction) {
		*h = heard{answer, q.what, q.send, judged}
	}
	if before != 0 && now != 0 {
		h.findings[0].OtherRefused = true
	}
}

// show writes what arrived and what each protocol makes of it.
func (h *heard) show(out io.Writer, setting LineSettings, o *ListenOptions) {
	key, about := "listen.bytes", names{"line": setting.String(), "bytes": strconv.Itoa(len(h.data))}
	switch {
	case len(h.data) == 0:
		fmt.Fprintln(out, o.say("listen.nothing", about))
		return
	case h.question != "":
		key, about["question"] = "listen.after", o.say(h.question, nil)
	}
	fmt.Fprintln(out, o.say(key, about))
	showBytes(out, h.data)
	if len(h.findings) == 0 {
		fmt.Fprintf(out, "    %s\n", o.say("listen.no_protocol", nil))
	}
	for _, f := range h.findings {
		fmt.Fprintf(out, "    %s\n", f.describe(o))
	}
}

// conclude writes the configuration of the best finding and of those that fit
// equally well.
func (h *heard) conclude(out io.Writer, path string, setting LineSettings, o *ListenOptions) {
	best, equal := h.findings[0], 1
	for equal < len(h.findings) && best.compare(h.findings[equal]) == 0 {
		equal++
	}
	key := "listen.fits"
	switch {
	case exceptionCode(best) != 0:
		key = "listen.only_modbus"
	case equal > 1:
		key = "listen.equal"
	}
	fmt.Fprintf(out, "\n%s\n", o.say(key, nil))
	for _, f := range h.findings[:equal] {
		if f.Parity != 0 {
			setting.DataBits, setting.Parity = 7, f.Parity
		}
		fmt.Fprintf(out, "\n%s", f.config(path, setting, o))
	}
}

// describe writes the finding on one line.
func (f Finding) describe(o *ListenOptions) string {
	name := f.Protocol
	if f.Options.Pattern != "" {
		name += " " + f.Options.Pattern
	}
	text := o.say("listen.counts", names{"protocol": name, "good": strconv.Itoa(f.Good), "bad": strconv.Itoa(f.Bad)}) + "; "
	unit := strconv.Itoa(f.Options.Unit485)
	switch {
	case exceptionCode(f) != 0:
		code := exceptionCode(f)
		text += o.say("listen.exception", names{"unit": unit, "code": strconv.Itoa(int(code)), "meaning": o.say(exceptionKey(code), nil)})
		if f.OtherRefused {
			text += "; " + o.say("listen.other_refused", nil)
		}
	case f.Protocol == "modbus":
		text += o.say("listen.unit_answers", names{"unit": unit, "bytes": fmt.Sprintf("%X", f.Frame)})
	case f.Options.Pattern == "counts":
		text += o.say("listen.raw_counts", names{"line": fmt.Sprintf("%q", f.Frame)})
	case f.Last.Faults != 0:
		text += fmt.Sprintf("%q, %s", f.Frame, strings.Join(f.Last.Faults.Names(), ", "))
	case f.Last.Quantity == Temperature:
		text += fmt.Sprintf("%q = %.2f °C", f.Frame, f.Last.Value)
	default:
		text += fmt.Sprintf("%q = %.4f kg", f.Frame, f.Last.Value)
	}
	return text
}

// config writes the finding as lines of a sensor's configuration.
func (f Finding) config(path string, line LineSettings, o *ListenOptions) string {
	var b strings.Builder
	note := func(setting, key string, about names) { fmt.Fprintf(&b, "  %-20s # %s\n", setting, o.say(key, about)) }
	fmt.Fprintf(&b, "  port: %s\n  line: %s\n  protocol: %s\n", path, line, f.Protocol)
	if f.Options.Pattern != "" {
		fmt.Fprintf(&b, "  pattern: %s\n", f.Options.Pattern)
	}
	if f.Options.Pattern == "counts" {
		note("kg_per_count: 0.0", "listen.note_counts", nil)
		b.WriteString("  counts_at_zero: 0\n")
	}
	if f.Last.Faults&fillcalc.FaultNoUnit != 0 || f.Protocol == "scpi" {
		note("unit:", "listen.note_unit", nil)
	}
	if f.Protocol != "modbus" {
		return b.String()
	}
	registers, other := "holding", "input"
	if f.Options.Input {
		registers, other = other, registers
	}
	fmt.Fprintf(&b, "  unit_id: %d\n  registers: %s\n", f.Options.Unit485, registers)
	switch {
	case exceptionCode(f) != unknownRegister:
		b.WriteString("  register: 0\n")
	case f.OtherRefused:
		note("register: 1", "listen.note_register", nil)
	default:
		note("register: 1", "listen.note_register_or", names{"registers": other})
	}
	b.WriteString("  type: float32\n")
	note("unit: kg", "listen.note_manual", nil)
	return b.String()
}

// showBytes writes the first 64 bytes in hexadecimal beside their characters.
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
