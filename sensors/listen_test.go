package sensors

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Judge on whole and damaged streams, with the frames of the decoders' tests.
func TestJudge(t *testing.T) {
	three := func(line string) []byte { return []byte(strings.Repeat(line, 3)) }
	tests := []struct {
		name     string
		data     []byte
		protocol string // best protocol and its pattern; empty when nothing fits
		good     int
		seven    byte
		value    float64
		faults   fillcalc.Faults
	}{
		{"sma", three("\n 1G       1.250kg \r"), "sma", 3, 0, 1.25, 0},
		{"one sma frame", []byte("\n 1G       1.250kg \r"), "sma", 1, 0, 1.25, 0},
		{"sma, cut", []byte("250kg \r\n 1G       1.250kg \r\n 1G"), "sma", 1, 0, 1.25, 0},
		{"status", three(goodLine), "line status-kind-value-unit", 2, 0, 1.25, 0},
		{"overload", three("OL,GS,+9999.999kg\r\n"), "line status-kind-value-unit", 2, 0, 0, fillcalc.FaultOverload},
		{"value and unit", three("  1.250 lb\r\n"), "line value-unit", 2, 0, 1.25 * kgPerLb, 0},
		{"value", three("+0001.250\r\n"), "line value", 2, 0, 0, fillcalc.FaultNoUnit},
		{"temperature", three("+023.45 C\r\n"), "line temperature", 2, 0, 23.45, 0},
		{"7E1", withParity(three(goodLine), 'E'), "line status-kind-value-unit", 2, 'E', 1.25, 0},
		{"7O1", withParity(three("\n 1G       1.250kg \r"), 'O'), "sma", 3, 'O', 1.25, 0},
		{"one line only", []byte(goodLine), "", 0, 0, 0, 0}, // it may lack its beginning
		{"mostly bad", []byte(goodLine + goodLine + "x\nx\nx\n"), "", 0, 0, 0, 0},
		{"noise", []byte("\xf8\x80x\x1e\xe6\xfe\x00\n\x81\n\r\n"), "", 0, 0, 0, 0},
		{"nothing", nil, "", 0, 0, 0, 0},
	}
	for _, test := range tests {
		found := Judge(test.data)
		if len(found) == 0 {
			if test.protocol != "" {
				t.Errorf("%s: nothing found", test.name)
			}
			continue
		}
		best := found[0]
		name := strings.TrimSpace(best.Protocol + " " + best.Options.Pattern)
		if name != test.protocol || best.Good != test.good || best.Parity != test.seven || best.Last.Value != test.value || best.Last.Faults != test.faults {
			t.Errorf("%s: %s, %+v", test.name, name, best)
		}
	}
}

// The protocol that explains the most bytes comes first; two that explain as many
// and have as many unused fields cannot be distinguished.
func TestJudgeOrder(t *testing.T) {
	tests := []struct {
		name, data, order string // ties joined by =
	}{
		{"whole numbers", strings.Repeat("8388607\r\n", 3), "value = counts, temperature, value-unit"},
		{"numbers", strings.Repeat("+0001.250\r\n", 3), "value, temperature, value-unit"},
		// A balance that omits the unit while in motion.
		{"units now and then", strings.Repeat("1.250 kg\r\n1.250\r\n", 3), "value-unit, value, temperature"},
		{"marks", strings.Repeat("1250 ?\r\n", 3), "value-unit"},
	}
	for _, test := range tests {
		order := ""
		found := Judge([]byte(test.data))
		for i, f := range found {
			switch {
			case i > 0 && found[i-1].compare(f) == 0:
				order += " = "
			case i > 0:
				order += ", "
			}
			order += f.Options.Pattern
		}
		if order != test.order {
			t.Errorf("%s: %q, want %q", test.name, order, test.order)
		}
	}
}

// A damaged answer is not a finding, however it begins.
func TestJudgeAnswerDamaged(t *testing.T) {
	for _, q := range questions(4) {
		for _, answer := range []string{"\x04\x04\x04\x04\x00\x00\x00\x00\x00", "\x04\x03\x04\x00\x00\x00\x00\x00\x00", "\n 1G  \r", "2\x003.5\n"} {
			if found := judgeAnswer([]byte(answer), q); len(found) != 0 || exceptionCode(found...) != 0 {
				t.Errorf("%s, %q: %+v", q.what, answer, found)
			}
		}
	}
}

func TestParityOf(t *testing.T) {
	for text, want := range map[string]byte{
		"":                                     0,
		"AB":                                   0, // even without a parity bit: an eight-bit line without parity
		"\xc1C":                                'O',
		"\xc1A":                                0,
		string(withParity([]byte("ABC"), 'E')): 'E',
		string(withParity([]byte("ABC"), 'O')): 'O',
		string(withParity([]byte("ABC"), 'E')) + "C": 0,
	} {
		if got := parityOf([]byte(text)); got != want {
			t.Errorf("% x: %q, want %q", text, got, want)
		}
	}
}

// modbusInstrument answers one function for two registers from address 0, and the
// other function with exception 1. It finds requests by their checksum, because
// the gaps that separate them on a wire do not exist here.
func modbusInstrument(unit, function byte, value float32) func([]byte) string {
	bits := math.Float32bits(value)
	return func(asked []byte) string {
		for _, f := range []byte{3, 4} {
			if !bytes.HasSuffix(asked, appendCRC([]byte{unit, f, 0, 0, 0, 2})) {
				continue
			}
			if f != function {
				return string(appendCRC([]byte{unit, f | 0x80, 1}))
			}
			return string(appendCRC([]byte{unit, f, 4, byte(bits >> 24), byte(bits >> 16), byte(bits >> 8), byte(bits)}))
		}
		return ""
	}
}

// scpiInstrument parses as IEEE 488.2 says (from memory): a message ends with LF,
// and other white space around it is ignored. An unknown message is only recorded
// until errors are queried, so it gets no answer.
func scpiInstrument(asked []byte) string {
	if !bytes.HasSuffix(asked, []byte("\n")) {
		return ""
	}
	for line := range strings.SplitSeq(string(asked), "\n") {
		if strings.EqualFold(strings.TrimSpace(line), "MEASure:TEMPerature?") {
			return "+2.350000E+01\n"
		}
	}
	return ""
}

func smaInstrument(asked []byte) string {
	if bytes.HasSuffix(asked, []byte("\nW\r")) {
		return "\n 1G       1.250kg \r"
	}
	return ""
}

// patiently retries with more time: on a busy machine the instrument of a test may
// not get to send while the test listens. A real error occurs every time.
func patiently(t *testing.T, try func(long time.Duration) (wrong string)) {
	t.Helper()
	var wrong string
	for _, long := range []time.Duration{150 * time.Millisecond, 500 * time.Millisecond, 2 * time.Second} {
		if wrong = try(long); wrong == "" {
			return
		}
	}
	t.Error(wrong)
}

func TestListen(t *testing.T) {
	t.Parallel()
	streams := func(text string) func(*testing.T, *cable) {
		return func(t *testing.T, c *cable) { c.stream(t, text, 10*time.Millisecond) }
	}
	answers := func(reply func([]byte) string) func(*testing.T, *cable) {
		return func(t *testing.T, c *cable) { c.answer(t, reply) }
	}
	tests := []struct {
		name       string
		instrument func(*testing.T, *cable)
		ask        bool
		heading    string
		config     string // after the port's line
	}{
		{"sma stream", streams("\n 1G       1.250kg \r"), false, "9600 8N1: ", "  line: 9600 8N1\n  protocol: sma\n"},
		{"status lines at 7E1", streams(string(withParity([]byte(goodLine), 'E'))), false, "9600 8N1: ",
			"  line: 9600 7E1\n  protocol: line\n  pattern: status-kind-value-unit\n"},
		{"lines without unit", streams("+0001.250\r\n"), true, "9600 8N1: ",
			"  line: 9600 8N1\n  protocol: line\n  pattern: value\n  unit:                # the frames name none: kg, g, lb, oz; C, F, K\n"},
		{"sma asked", answers(smaInstrument), true, "9600 8N1, after a SMA weight request: 20 bytes",
			"  line: 9600 8N1\n  protocol: sma\n"},
		{"sma at 7E1 asked", answers(func(asked []byte) string { return string(withParity([]byte(smaInstrument(asked)), 'E')) }), true,
			"9600 8N1, after a SMA weight request: 20 bytes", "  line: 9600 7E1\n  protocol: sma\n"},
		{"scpi asked", answers(scpiInstrument), true, "9600 8N1, after a SCPI temperature query: 14 bytes",
			"  line: 9600 8N1\n  protocol: scpi\n  unit:                # the frames name none: kg, g, lb, oz; C, F, K\n"},
		{"modbus asked, input registers", answers(modbusInstrument(7, 4, 80)), true, "9600 8N1, after a Modbus input registers 0-1: 9 bytes",
			"  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: input\n  register: 0\n  type: float32\n  unit: kg             # from the instrument's manual\n"},
		{"modbus asked, holding registers", answers(modbusInstrument(7, 3, 80)), true, "9600 8N1, after a Modbus holding registers 0-1: 9 bytes",
			"  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: holding\n  register: 0\n  type: float32\n  unit: kg             # from the instrument's manual\n"},
		{"sma asked, with echo", answers(func(asked []byte) string { return string(asked) + smaInstrument(asked) }), true,
			"9600 8N1, after a SMA weight request: 20 bytes", "  line: 9600 8N1\n  protocol: sma\n"},
		{"modbus asked, with echo", answers(func(asked []byte) string { return string(asked) + modbusInstrument(7, 3, 80)(asked) }), true,
			"9600 8N1, after a Modbus holding registers 0-1: 9 bytes",
			"  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: holding\n  register: 0\n  type: float32\n  unit: kg             # from the instrument's manual\n"},
		{"silence", func(*testing.T, *cable) {}, true, "9600 8N1: nothing arrives", ""},
		{"silence, not asked", answers(smaInstrument), false, "9600 8N1: nothing arrives", ""},
		{"noise", streams("\xf8\x80x\x1e\xe6\xfe\x00\n\x81"), true, "no protocol understands this", ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			patiently(t, func(long time.Duration) string {
				c := newCable(t)
				test.instrument(t, c)
				var out strings.Builder
				o := ListenOptions{Say: words.Plain.Say, Settings: []LineSettings{usual}, For: long, Ask: test.ask, UnitID: 7}
				err := Listen(t.Context(), c.path, o, &out)
				mustOpen(t, c.path).Close() // Listen has closed it
				if !strings.Contains(out.String(), test.heading) {
					return fmt.Sprintf("%q is not in\n%s", test.heading, out.String())
				}
				if test.config == "" {
					if err == nil || !strings.Contains(words.Plain.Fault(err), c.path+": nothing understood at any setting: check cable and power") || strings.Contains(out.String(), "This fits") {
						return fmt.Sprintf("%v\n%s", err, out.String())
					}
					return ""
				}
				want := "\nThis fits. For the configuration:\n\n  port: " + c.path + "\n" + test.config
				if err != nil || !strings.HasSuffix(out.String(), want) {
					return fmt.Sprintf("%v\n%s\nwant at the end\n%s", err, out.String(), want)
				}
				return ""
			})
		})
	}
}

// What the bytes do not decide is shown: equal findings side by side, and after a
// Modbus exception what to try.
func TestListenLeavesOpen(t *testing.T) {
	t.Parallel()
	// Exceptions of unit 7 to requests for input and holding registers, 0 for no answer.
	refuses := func(input, holding byte) func(*testing.T, *cable) {
		return func(t *testing.T, c *cable) {
			c.answer(t, func(asked []byte) string {
				for function, code := range map[byte]byte{4: input, 3: holding} {
					if code != 0 && bytes.HasSuffix(asked, appendCRC([]byte{7, function, 0, 0, 0, 2})) {
						return string(appendCRC([]byte{7, function | 0x80, code}))
					}
				}
				return ""
			})
		}
	}
	const (
		notYet   = "\nThis is Modbus, and has given no value yet. For the configuration, to be tried:\n\n"
		fromUnit = "  type: float32\n  unit: kg             # from the instrument's manual\n"
		register = "  register: 1          # it has no 0: some manuals count from 1"
		too      = "unit 7 answers exception 2: it has no such register: try the neighbouring one (some manuals count from 1), " +
			"input instead of holding registers or the other way round, or another type"
	)
	tests := []struct {
		name       string
		instrument func(*testing.T, *cable)
		within     string
		end        string // PORT stands for the port's name
	}{
		{"whole numbers", func(t *testing.T, c *cable) { c.stream(t, "8388607\r\n", 10*time.Millisecond) },
			"    line counts: ",
			"\nThese fit equally well, and the bytes cannot tell which is right: see the instrument's manual. For the configuration, one of:\n\n" +
				"  port: PORT\n  line: 9600 8N1\n  protocol: line\n  pattern: value\n  unit:                # the frames name none: kg, g, lb, oz; C, F, K\n\n" +
				"  port: PORT\n  line: 9600 8N1\n  protocol: line\n  pattern: counts\n  kg_per_count: 0.0    # from weighing known weights\n  counts_at_zero: 0\n"},
		{"holding refused", refuses(0, 2), too,
			notYet + "  port: PORT\n  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: holding\n" + register + "; or try registers: input\n" + fromUnit},
		{"holding refused, input unknown", refuses(1, 2), too + "; the other kind of register was refused too\n",
			notYet + "  port: PORT\n  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: holding\n" + register + "\n" + fromUnit},
		{"input refused", refuses(2, 0), too,
			notYet + "  port: PORT\n  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: input\n" + register + "; or try registers: holding\n" + fromUnit},
		{"input refused, holding unknown", refuses(2, 1), too + "; the other kind of register was refused too\n",
			notYet + "  port: PORT\n  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: input\n" + register + "\n" + fromUnit},
		{"both refused", refuses(2, 2), too + "; the other kind of register was refused too\n",
			notYet + "  port: PORT\n  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: input\n" + register + "\n" + fromUnit},
		{"input refused, holding known", func(t *testing.T, c *cable) {
			c.answer(t, func(asked []byte) string {
				if bytes.HasSuffix(asked, appendCRC([]byte{7, 4, 0, 0, 0, 2})) {
					return string(appendCRC([]byte{7, 0x84, 2}))
				}
				return modbusInstrument(7, 3, 80)(asked)
			})
		}, "Modbus holding registers 0-1: 9 bytes",
			"\nThis fits. For the configuration:\n\n  port: PORT\n  line: 9600 8N1\n  protocol: modbus\n  unit_id: 7\n  registers: holding\n  register: 0\n" + fromUnit},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			patiently(t, func(long time.Duration) string {
				c := newCable(t)
				test.instrument(t, c)
				var out strings.Builder
				err := Listen(t.Context(), c.path, ListenOptions{Say: words.Plain.Say, Settings: []LineSettings{usual}, For: long, Ask: true, UnitID: 7}, &out)
				end := strings.ReplaceAll(test.end, "PORT", c.path)
				if err != nil || !strings.Contains(out.String(), test.within) || !strings.HasSuffix(out.String(), end) {
					return fmt.Sprintf("%v\n%s\nwant %q and at the end\n%s", err, out.String(), test.within, end)
				}
				return ""
			})
		})
	}
}

// The right speed is found by trying them in order. A pseudo-terminal transfers
// bytes at any speed, so the instrument looks up the speed that the reader has set.
func TestListenFindsTheSpeed(t *testing.T) {
	t.Parallel()
	patiently(t, func(long time.Duration) string {
		c := newCable(t)
		fd := int(c.slave.Fd())
		c.play(t, func(stop <-chan struct{}) {
			for {
				select {
				case <-stop:
					return
				case <-time.After(10 * time.Millisecond):
				}
				speed, err := speedOf(fd)
				if err != nil {
					return
				}
				text := "\xf8\x80x\x1e\xe6\xfe"
				if speed == unix.B4800 {
					text = goodLine
				}
				if _, err := c.instrument.WriteString(text); err != nil {
					return
				}
			}
		})
		var out strings.Builder
		settings := []LineSettings{usual, {19200, 8, 'N', 1}, {4800, 8, 'N', 1}, {2400, 8, 'N', 1}}
		if err := Listen(t.Context(), c.path, ListenOptions{Say: words.Plain.Say, Settings: settings, For: long}, &out); err != nil {
			return err.Error()
		}
		for _, part := range []string{"9600 8N1: ", "19200 8N1: ", "4800 8N1: ", "  line: 4800 8N1\n  protocol: line\n  pattern: status-kind-value-unit\n"} {
			if !strings.Contains(out.String(), part) {
				return fmt.Sprintf("%q is not in\n%s", part, out.String())
			}
		}
		if strings.Contains(out.String(), "2400") || strings.Count(out.String(), "no protocol understands this") != 2 {
			return out.String()
		}
		return ""
	})
}

// speedOf is the kernel's code of the speed that the reader of a terminal has set.
func speedOf(fd int) (uint32, error) {
	set, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return 0, err
	}
	return set.Cflag & unix.CBAUD, nil
}

func TestListenEnds(t *testing.T) {
	t.Parallel()
	c := newCable(t)
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(300*time.Millisecond, cancel)
	begun := time.Now()
	err := Listen(ctx, c.path, ListenOptions{Say: words.Plain.Say, Settings: CommonSettings, For: time.Minute, Ask: true, UnitID: 1}, &strings.Builder{})
	if took := time.Since(begun); !errors.Is(err, context.Canceled) || took > 20*time.Second {
		t.Errorf("%v after %v", err, took)
	}
	err = Listen(t.Context(), c.path+"0000", ListenOptions{Say: words.Plain.Say, Settings: CommonSettings, For: time.Second}, &strings.Builder{})
	wantCondition(t, err, Missing, "is missing")

	// Unplugged while listening, which the speed that Listen sets shows.
	fd := int(c.slave.Fd())
	c.play(t, func(stop <-chan struct{}) {
		for {
			select {
			case <-stop:
				return
			case <-time.After(10 * time.Millisecond):
			}
			if speed, err := speedOf(fd); err != nil || speed == unix.B1200 {
				time.Sleep(quiet)
				c.pull()
				return
			}
		}
	})
	err = Listen(t.Context(), c.path, ListenOptions{Say: words.Plain.Say, Settings: []LineSettings{{1200, 8, 'N', 1}}, For: time.Minute}, &strings.Builder{})
	if err == nil || !strings.Contains(words.Plain.Fault(err), "the port went away") {
		t.Errorf("unplugged while listening: %v", err)
	}
}

// Bytes are shown in hexadecimal beside their characters, at most 64.
func TestShowBytes(t *testing.T) {
	var out strings.Builder
	showBytes(&out, []byte("\n 1G       1.250kg \r"))
	want := "    0a 20 31 47 20 20 20 20 20 20 20 31 2e 32 35 30  . 1G       1.250\n" +
		"    6b 67 20 0d                                      kg .\n"
	if out.String() != want {
		t.Errorf("\n%s, want\n%s", out.String(), want)
	}
	out.Reset()
	showBytes(&out, make([]byte, 1000))
	if strings.Count(out.String(), "\n") != 4 {
		t.Errorf("\n%s", out.String())
	}
}
