package sensors

import (
	"bytes"
	"context"
	"fmt"
	"io"
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
}

// question is a request for instruments that send only when asked.
type question struct {
	what     string
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
		{"SMA weight request", []byte("\nW\r"), "sma", Options{Quantity: Weight}},
		// LF first: it ends what the instrument has kept of the request before.
		{"SCPI temperature query", []byte("\nMEASure:TEMPerature?\n"), "scpi", Options{Quantity: Temperature, Unit: "C"}},
		modbus("Modbus input registers 0-1", 4),
		modbus("Modbus holding registers 0-1", 3),
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
		h.show(out, setting)
		if len(h.findings) > 0 {
			h.conclude(out, path, setting)
			return o.Record.record(ctx, path, setting, h.send)
		}
	}
	return fmt.Errorf("%s: nothing understood at any setting: check cable and power, whether the instrument is set to send, and its manual for speed and protocol", path)
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
			return data, fmt.Errorf("the port went away: %w", err)
		}
		data = append(data, buf[:n]...)
	}
	return data, ctx.Err()
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
func (h *heard) show(out io.Writer, setting LineSettings) {
	switch {
	case len(h.data) == 0:
		fmt.Fprintf(out, "%s  nothing arrives\n", setting)
		return
	case h.question != "":
		fmt.Fprintf(out, "%s, after a %s  %d bytes\n", setting, h.question, len(h.data))
	default:
		fmt.Fprintf(out, "%s  %d bytes\n", setting, len(h.data))
	}
	showBytes(out, h.data)
	if len(h.findings) == 0 {
		fmt.Fprintf(out, "    no protocol understands this\n")
	}
	for _, f := range h.findings {
		fmt.Fprintf(out, "    %s\n", f.describe())
	}
}

// conclude writes the configuration of the best finding and of those that fit
// equally well.
func (h *heard) conclude(out io.Writer, path string, setting LineSettings) {
	best, equal := h.findings[0], 1
	for equal < len(h.findings) && best.compare(h.findings[equal]) == 0 {
		equal++
	}
	switch {
	case exceptionCode(best) != 0:
		fmt.Fprintf(out, "\nThis is Modbus, and has given no value yet. For the configuration, to be tried:\n")
	case equal > 1:
		fmt.Fprintf(out, "\nThese fit equally well, and the bytes cannot tell which is right: see the instrument's manual. For the configuration, one of:\n")
	default:
		fmt.Fprintf(out, "\nThis fits. For the configuration:\n")
	}
	for _, f := range h.findings[:equal] {
		if f.Parity != 0 {
			setting.DataBits, setting.Parity = 7, f.Parity
		}
		fmt.Fprintf(out, "\n%s", f.config(path, setting))
	}
}

// describe writes the finding on one line.
func (f Finding) describe() string {
	name := f.Protocol
	if f.Options.Pattern != "" {
		name += " " + f.Options.Pattern
	}
	text := fmt.Sprintf("%s: %d good, %d bad; ", name, f.Good, f.Bad)
	switch {
	case exceptionCode(f) != 0:
		code := exceptionCode(f)
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

// config writes the finding as lines of a sensor's configuration.
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
		if exceptionCode(f) == unknownRegister {
			register = "1          # it has no 0: some manuals count from 1"
			if !f.OtherRefused {
				register += "; or try registers: " + other
			}
		}
		fmt.Fprintf(&b, "  unit_id: %d\n  registers: %s\n  register: %s\n  type: float32\n  unit: kg             # from the instrument's manual\n", f.Options.Unit485, registers, register)
	}
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
