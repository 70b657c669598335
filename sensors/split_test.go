package sensors

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// got lists what a stream yields: each value, or the names of the faults.
func got(t *testing.T, p Protocol, q Quantity, pieces [][]byte) []string {
	t.Helper()
	var list []string
	take(t, p, pieces, func(frame []byte, r Reading, err error) {
		sound(t, frame, q, r, err)
		if err != nil {
			list = append(list, strings.Join(r.Faults.Names(), "+"))
			return
		}
		list = append(list, strconv.FormatFloat(r.Value, 'g', -1, 64))
	})
	return list
}

// Damaged streams, composed by hand from the framing of each protocol.
func TestSplitDamage(t *testing.T) {
	const (
		one = "\n 1G       1.250kg \r"
		two = "\n 1G       2.500kg \r"
		st1 = "ST,GS,+0001.250kg\r\n"
		st2 = "ST,GS,+0002.500kg\r\n"
	)
	sma := mustNew(t, "sma", Options{Quantity: Weight})
	line := mustNew(t, "line", Options{Quantity: Weight, Pattern: "status-kind-value-unit", Width: 17})
	bare := mustNew(t, "line", Options{Quantity: Weight, Pattern: "value-unit"})
	modbus := mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "float32"})
	scpi := mustNew(t, "scpi", Options{Quantity: Temperature, Unit: "C"})
	reply := func(v float32) string {
		return string(appendCRC(binary.BigEndian.AppendUint32([]byte{1, 3, 4}, math.Float32bits(v))))
	}
	exception := string(appendCRC([]byte{1, 0x83, 2}))
	tests := []struct {
		p      Protocol
		stream string
		want   string
	}{
		{sma, one + two, "1.25 2.5"},
		{sma, "kg \r" + one + two, "1.25 2.5"}, // begins in mid-frame
		{sma, "\xff\x00\x00" + one, "1.25"},
		{sma, one[:12] + two, "2.5"}, // without its end
		{sma, one[:1] + two, "2.5"},
		{sma, one[:19] + two, "2.5"},
		{sma, "\n\n\n" + two, "2.5"},
		{sma, one[:8] + two + one[8:] + one, "2.5 1.25"}, // two run into each other
		{sma, one[:8] + one[9:] + two, "frame 2.5"},      // one byte lost
		{sma, one[:10] + "\r" + one[10:] + two, "frame 2.5"},
		{sma, one + "\n" + two + "\n", "1.25 2.5"}, // CR LF at the end, as some send it
		{sma, "\n" + strings.Repeat("x", 80) + one, "1.25"},
		{sma, "\n?\r" + one + "\n!\r", "frame 1.25 checksum"},
		{sma, one[:19], ""},

		{line, st1 + st2, "1.25 2.5"},
		{line, "50kg\r\n" + st1, "frame 1.25"},
		{line, st1[:9] + st2 + st1, "frame 1.25"},
		{line, st1[:17] + st2[:17] + "\r\n" + st1, "frame 1.25"}, // two lines run together
		{line, st1[:17] + "\n" + st2[:17] + "\r", "1.25 2.5"},    // LF alone, CR alone
		{line, "\r\n\r\n" + st1 + "\r\n\n" + st2, "1.25 2.5"},
		{line, st1[:8] + "\x00" + st1[9:] + st2, "checksum 2.5"},
		{line, "\xfe" + st1 + st2, "frame 2.5"},
		{line, st1[:8] + "\r\n" + st2 + st1[8:] + st1, "frame 2.5 frame 1.25"},
		{line, st1[:17], ""},

		{bare, "1.250 kg\r\n2.500 kg\r\n", "1.25 2.5"},
		// The end of a line that is too long is not a line: its beginning is not known.
		{bare, strings.Repeat("7", maxLineBytes+1) + " kg\r\n2.500 kg\r\n", "2.5"},
		{bare, strings.Repeat("7", 3*maxLineBytes+17) + " kg\r\n2.500 kg\r\n", "2.5"},
		{bare, strings.Repeat(" ", maxLineBytes-8) + "1.250 kg\r\n", "1.25"}, // exactly the longest

		{modbus, reply(1.25) + reply(2.5), "1.25 2.5"},
		{modbus, "\x00\xff\x55" + reply(1.25), "1.25"},
		{modbus, reply(1.25)[3:] + reply(2.5), "2.5"},
		{modbus, string(modbus.Poll) + reply(1.25), "1.25"},
		{modbus, exception + reply(1.25), "sensor 1.25"},
		{modbus, string(appendCRC([]byte{2, 3, 4, 0, 0, 0, 0})) + reply(1.25), "1.25"}, // another unit's
		{modbus, reply(1.25)[:1] + reply(2.5), "2.5"},
		{modbus, reply(1.25)[:3] + reply(2.5), "frame 2.5"},
		{modbus, reply(1.25)[:6] + reply(2.5), "checksum 2.5"},
		{modbus, reply(1.25)[:8] + reply(2.5), "checksum 2.5"},
		{modbus, reply(1.25)[:5] + reply(1.25)[6:] + reply(2.5), "checksum 2.5"},
		{modbus, exception[:4] + reply(2.5), "frame 2.5"},
		{modbus, reply(1.25)[:5] + reply(2.5) + reply(1.25)[5:] + reply(1.25), "checksum 2.5 1.25"},
		{modbus, reply(1.25)[:8], ""},

		{scpi, "+2.350000E+01\n+2.450000E+01\n", "23.5 24.5"},
		{scpi, "+2.350000E+01\r\n", "23.5"},
		{scpi, "+2.35+2.450000E+01\n", "frame"},
		{scpi, "-113,\"Undefined header\"\n+2.450000E+01\n", "frame 24.5"},
		{scpi, strings.Repeat("1", maxLineBytes+5) + "\n24.5\n", "24.5"},
	}
	for _, test := range tests {
		q := Weight
		if test.p.Name == "scpi" {
			q = Temperature
		}
		for how, pieces := range map[string][][]byte{"whole": {[]byte(test.stream)}, "singly": singly([]byte(test.stream))} {
			if list := strings.Join(got(t, test.p, q, pieces), " "); list != test.want {
				t.Errorf("%s, %s, %q: %q, want %q", test.p.Name, how, test.stream, list, test.want)
			}
		}
	}
}

// dialect is one protocol for the random streams below.
type dialect struct {
	name string
	q    Quantity
	p    Protocol
	// make returns a frame and its value, which the standard library's parser reads
	// from the printed number.
	make func(r *rand.Rand) ([]byte, float64)
	// noise returns n bytes of garbage that do not happen to be a frame of this dialect.
	noise func(r *rand.Rand, n int) []byte
	// refused are whole frames without a value.
	refused [][]byte
	// headed says that a frame shows where it begins. Without that it is joined to a
	// frame before it that lacks its end.
	headed bool
	// mixed says that a frame in the middle of another is recognised; see below.
	mixed bool
}

func printed(format string, values ...any) (text string, value float64) {
	text = fmt.Sprintf(format, values...)
	value, err := strconv.ParseFloat(strings.ReplaceAll(text, " ", ""), 64)
	if err != nil {
		panic(err)
	}
	return text, value
}

func anyBytes(r *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

func dialects(t testing.TB) []dialect {
	modbus := func(kind string, register int) dialect {
		o := Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: kind, Register: register, Exponent: -3}
		if kind == "float32" {
			o.Exponent = 0
		}
		p := mustNew(t, "modbus", o)
		return dialect{
			name: "modbus " + kind, q: Weight, p: p, headed: true, mixed: true,
			make: func(r *rand.Rand) ([]byte, float64) {
				if kind == "float32" {
					f := float32(r.IntN(60000)-3000) / 1000
					text := strconv.FormatFloat(float64(f), 'g', -1, 32)
					v, _ := strconv.ParseFloat(text, 64)
					return appendCRC(binary.BigEndian.AppendUint32([]byte{1, 3, 4}, math.Float32bits(f))), v
				}
				grams := int16(r.IntN(35000) - 3000)
				_, v := printed("%de-3", grams)
				return appendCRC(binary.BigEndian.AppendUint16([]byte{1, 3, 2}, uint16(grams))), v
			},
			// Half of the garbage looks like the beginning of a reply.
			noise: func(r *rand.Rand, n int) []byte {
				b := anyBytes(r, n)
				for i := range b {
					switch r.IntN(6) {
					case 0:
						b[i] = 1
					case 1:
						b[i] = 3
					case 2:
						b[i] = p.Poll[5] * 2
					}
				}
				return b
			},
			refused: [][]byte{
				appendCRC([]byte{1, 0x83, 2}), appendCRC([]byte{2, 3, 4, 0, 0, 1, 2}), bytes.Clone(p.Poll),
			},
		}
	}
	// A line without a checksum cannot show two kinds of damage: a digit that becomes
	// another digit, and bytes lost at the end of one line together with as many at
	// the beginning of the next, so that the halves make one line of the right length.
	// With the width set, this can be promised and is checked here: a line that is cut,
	// joined to another or to garbage, or inserted into another, gives no value.
	line := mustNew(t, "line", Options{Quantity: Weight, Pattern: "status-kind-value-unit", Width: 17})
	// Bare numbers can promise less: only a lost end and two joined numbers are
	// noticed, and only because each number begins with its sign. A number without its
	// beginning is still a number. So here no answer is inserted into another, and
	// garbage has no digits.
	scpi := mustNew(t, "scpi", Options{Quantity: Temperature, Unit: "C"})
	sma := mustNew(t, "sma", Options{Quantity: Weight})
	return []dialect{
		{
			name: "sma", q: Weight, p: sma, headed: true, mixed: true, noise: anyBytes,
			make: func(r *rand.Rand) ([]byte, float64) {
				text, v := printed("%10.3f", float64(r.IntN(60000)-3000)/1000)
				if r.IntN(4) == 0 {
					text = strings.ReplaceAll(text, " ", "_")
				}
				return []byte("\n" + string(" Z"[r.IntN(2)]) + "1" + string("GN"[r.IntN(2)]) + string(" M"[r.IntN(2)]) + " " + text + "kg \r"), v
			},
			refused: [][]byte{[]byte("\nO1G      31.250kg \r"), []byte("\n?\r"), []byte("\nE1GM ----------kg \r")},
		},
		{
			name: "line", q: Weight, p: line, mixed: true, noise: anyBytes,
			make: func(r *rand.Rand) ([]byte, float64) {
				text, v := printed("%+09.3f", float64(r.IntN(60000)-3000)/1000)
				return []byte([]string{"ST", "US"}[r.IntN(2)] + ",GS," + text + "kg\r\n"), v
			},
			refused: [][]byte{[]byte("OL,GS,+9999.999kg\r\n"), []byte("ST,TR,+0001.000kg\r\n"), []byte("\r\n")},
		},
		modbus("float32", 0), modbus("float32", 0x0400), modbus("int16", 0x0203),
		{
			name: "scpi", q: Temperature, p: scpi,
			noise: func(r *rand.Rand, n int) []byte {
				b := anyBytes(r, n)
				for i := range b {
					if b[i] >= '0' && b[i] <= '9' {
						b[i] = '?'
					}
				}
				return b
			},
			make: func(r *rand.Rand) ([]byte, float64) {
				text, v := printed("%+.6E", float64(r.IntN(20000)-2000)/100)
				return []byte(text + "\n"), v
			},
			refused: [][]byte{[]byte("+9.910000E+37\n"), []byte("-113,\"Undefined header\"\n"), []byte("\r\n")},
		},
	}
}

// cuts are random pieces of data, as reads return them.
func cuts(r *rand.Rand, data []byte) [][]byte {
	var pieces [][]byte
	for len(data) > 0 {
		n := min(1+r.IntN(40), len(data))
		pieces = append(pieces, data[:n])
		data = data[n:]
	}
	return pieces
}

// Every undamaged frame is found once and in order, whatever lies between the
// frames and however the bytes arrive, and nothing else gives a value. The seeds are
// fixed, because a checksum of 16 bits is right by accident once in 65,536 times.
func TestSplitFindsEveryGoodFrame(t *testing.T) {
	type sent struct {
		value float64
		must  bool
	}
	const streams = 60
	for _, d := range dialects(t) {
		var found, faults, untouched, damaged int
		for seed := range uint64(streams) {
			r := rand.New(rand.NewPCG(seed, 7))
			var stream []byte
			var list []sent
			// Each value occurs once in a stream, so that it identifies its frame.
			used := map[float64]bool{}
			fresh := func() ([]byte, float64) {
				frame, v := d.make(r)
				for used[v] {
					frame, v = d.make(r)
				}
				used[v] = true
				return frame, v
			}
			add := func(must bool) {
				frame, v := fresh()
				stream = append(stream, frame...)
				list = append(list, sent{v, must})
			}
			// After a piece without an end, a frame that does not show its beginning is lost.
			after := func() {
				if !d.headed {
					add(false)
				}
			}
			add(true)
			for range 12 {
				for range r.IntN(3) {
					add(true)
				}
				kind := r.IntN(6)
				if kind == 3 && !d.mixed {
					kind = 0
				}
				damaged++
				switch kind {
				case 0: // garbage
					stream = append(stream, d.noise(r, r.IntN(40))...)
					after()
				case 1: // cut short by at least the bytes that end a frame
					frame, _ := fresh()
					stream = append(stream, frame[:r.IntN(len(frame)-1)]...)
					after()
				case 2: // the same frame twice: two frames
					frame, v := fresh()
					stream = append(append(stream, frame...), frame...)
					list = append(list, sent{v, true}, sent{v, true})
				case 3: // one in the middle of another
					frame, _ := fresh()
					at := 1 + r.IntN(len(frame)-3)
					stream = append(stream, frame[:at]...)
					add(d.headed)
					stream = append(stream, frame[at:]...)
				case 4: // whole, without a value
					stream = append(stream, d.refused[r.IntN(len(d.refused))]...)
				case 5: // very long garbage, longer than any frame
					stream = append(stream, d.noise(r, 150+r.IntN(400))...)
					after()
				}
			}
			add(true)
			add(true)
			for _, s := range list {
				if s.must {
					untouched++
				}
			}

			for how, pieces := range map[string][][]byte{"whole": {stream}, "singly": singly(stream), "chunks": cuts(r, stream)} {
				next := 0
				take(t, d.p, pieces, func(frame []byte, reading Reading, err error) {
					sound(t, frame, d.q, reading, err)
					if err != nil {
						faults++
						return
					}
					found++
					i := next
					for i < len(list) && list[i].value != reading.Value {
						if list[i].must {
							t.Fatalf("%s, seed %d, %s: read %g instead of %g", d.name, seed, how, reading.Value, list[i].value)
						}
						i++
					}
					if i == len(list) {
						t.Fatalf("%s, seed %d, %s: read %g, which was never sent or already read", d.name, seed, how, reading.Value)
					}
					next = i + 1
				})
				for _, s := range list[next:] {
					if s.must {
						t.Fatalf("%s, seed %d, %s: %g lost", d.name, seed, how, s.value)
					}
				}
			}
		}
		if untouched < 10*streams || damaged != 12*streams || faults == 0 || found < 3*untouched {
			t.Errorf("%s: %d good frames sent, %d values in 3 passes, %d faults: the streams cover too little", d.name, untouched, found, faults)
		}
	}
}

// A frame with up to three flipped bits gives a fault, or the number that its bytes
// now print, and never any other. A checksum detects all of them.
func TestFlippedBits(t *testing.T) {
	for _, d := range dialects(t) {
		r := rand.New(rand.NewPCG(3, 1))
		refused := 0
		for range 1000 {
			frame, _ := d.make(r)
			for range 1 + r.IntN(3) {
				frame[r.IntN(len(frame))] ^= byte(1 << r.IntN(8))
			}
			take(t, d.p, [][]byte{frame}, func(piece []byte, reading Reading, err error) {
				sound(t, piece, d.q, reading, err)
				switch {
				case err != nil:
					refused++
				case strings.HasPrefix(d.name, "modbus"):
					if crc16(frame) != 0 { // flipped back otherwise
						t.Fatalf("%s: % X read as %g", d.name, frame, reading.Value)
					}
				default:
					if want := printedIn(d.name, piece); !(math.Abs(reading.Value-want) <= 1e-12) {
						t.Fatalf("%s: %q read as %g, it says %g", d.name, piece, reading.Value, want)
					}
				}
			})
		}
		if refused < 100 {
			t.Errorf("%s: only %d frames refused", d.name, refused)
		}
	}
}

// printedIn is the number in a frame of the dialects above, NaN when the standard
// library's parser finds none.
func printedIn(name string, frame []byte) float64 {
	place, scale := string(frame), 1.0
	switch name {
	case "sma":
		place = string(frame[6:16])
	case "line":
		place = string(frame[6:15])
	}
	if name != "scpi" && !bytes.ContainsAny(frame, "kK") { // kg that became g
		scale = 1e-3
	}
	x, err := strconv.ParseFloat(strings.NewReplacer(" ", "", "_", "", ",", ".").Replace(place), 64)
	if err != nil {
		return math.NaN()
	}
	return x * scale
}
