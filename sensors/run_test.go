package sensors

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"bayfill/fillcalc"
)

// The tests of this file run Sensor.Run on a simulated clock and a port in memory:
// which condition it reports, and when.

const (
	pollEvery   = 250 * time.Millisecond
	silentAfter = 3 * time.Second
	retryEvery  = 2 * time.Second
)

func TestRunGoodSilentGood(t *testing.T) {
	bubble(t, lineProtocol(t), func(d *stand) {
		d.wait(50 * time.Millisecond)
		d.wantConditions("starting")
		d.stream(goodLine, 100*time.Millisecond, 4*time.Second)
		d.wait(0)
		d.wantConditions("starting good")
		d.wait(2500 * time.Millisecond)
		d.wantConditions("starting good") // not silent yet
		d.wait(10 * time.Second)
		d.wantConditions("starting good silent")
		// The last frame came at 3.95 s; reported within two Reads after three seconds.
		d.wantLast(Silent, 6950*time.Millisecond, 7150*time.Millisecond, "nothing arrives since 00:00:04 UTC: is the instrument switched on")
		if since := d.statuses[2].SinceNs; since != int64(3950*time.Millisecond) {
			t.Errorf("silent since %v, the last byte came at 3.95 s", time.Duration(since))
		}
		// The beginning of a frame is not nonsense: the rest may be on its way.
		d.plugged.send(goodLine[:4])
		d.wait(300 * time.Millisecond)
		d.wantConditions("starting good silent")
		d.plugged.send(goodLine[4:])
		d.stream(goodLine, 100*time.Millisecond, 4*time.Second)
		d.wait(0)
		d.wantConditions("starting good silent good")
		d.wantLast(Good, 16850*time.Millisecond, 16950*time.Millisecond, "frames arrive")
		if len(d.opened) != 1 {
			t.Errorf("opened %d times: a silent port must not be opened again", len(d.opened))
		}
		if len(d.readings) != 80 { // 81 lines, the first skipped
			t.Errorf("%d readings, want 80", len(d.readings))
		}
	})
}

// A reading carries the time of its arrival on the sensor's clock.
func TestRunStampsArrival(t *testing.T) {
	bubble(t, lineProtocol(t), func(d *stand) {
		d.wait(1230 * time.Millisecond)
		d.plugged.send("\r\nxx\r\n" + goodLine[:10])
		d.wait(500 * time.Millisecond)
		d.plugged.send(goodLine[10:])
		d.wait(0)
		if len(d.readings) != 1 || d.readings[0].AtNs != int64(1730*time.Millisecond) || d.readings[0].N != 1 || d.readings[0].Value != 1.25 {
			t.Errorf("%+v", d.readings)
		}
	})
}

// Ports return bytes as they arrive: frames in pieces, and many at once.
func TestRunPiecesOfFrames(t *testing.T) {
	line, sma, modbus := lineProtocol(t), mustNew(t, "sma", Options{Quantity: Weight, Repeat: true}),
		mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "int16", Exponent: -3})
	for _, test := range []struct {
		p     Protocol
		frame string
	}{{line, goodLine}, {sma, "\n 1G       1.250kg \r"}, {modbus, string(appendCRC([]byte{1, 3, 2, 0x04, 0xE2}))}} {
		for _, size := range []int{1, 7, 100, 5000} {
			bubble(t, test.p, func(d *stand) {
				rest := strings.Repeat(test.frame, 101)
				want := 101
				if test.p.SkipFirst {
					want = 100
				}
				for len(rest) > 0 {
					n := min(size, len(rest))
					d.plugged.send(rest[:n])
					rest = rest[n:]
					d.wait(time.Millisecond)
				}
				if !slices.Equal(d.values(), slices.Repeat([]float64{1.25}, want)) {
					t.Errorf("%s by %d: %v", test.p.Name, size, d.values())
				}
			})
		}
	}
}

// Seven bits at even parity on a port that delivers eight: the parity bit is
// cleared when the configuration says so.
func TestRunSevenBits(t *testing.T) {
	bubble(t, lineProtocol(t), func(d *stand) {
		d.s.SevenBits = true
		d.stream(string(withParity([]byte(goodLine), 'E')), 100*time.Millisecond, time.Second)
		d.wait(0)
		d.wantConditions("starting good")
		if want := slices.Repeat([]float64{1.25}, 9); !slices.Equal(d.values(), want) {
			t.Errorf("%v", d.values())
		}
	})
}

// A polled scale is asked every PollEvery, whether it answers or not.
func TestRunPolls(t *testing.T) {
	for _, answers := range []bool{true, false} {
		t.Run(fmt.Sprintf("answers %v", answers), func(t *testing.T) {
			var asked []time.Time
			bubble(t, mustNew(t, "sma", Options{Quantity: Weight}), func(d *stand) {
				d.plugged.write = func(p *memPort, request []byte) error {
					if string(request) != "\nW\r" {
						t.Errorf("asked %q", request)
					}
					d.Lock()
					defer d.Unlock()
					asked = append(asked, time.Now())
					if answers {
						p.send("\n 1G       1.250kg \r")
					}
					return nil
				}
				d.wait(20 * time.Second)
				// The interval is rounded up to a Read: 0.25 to 0.35 s, so 57 to 81 times.
				if len(asked) < 57 || len(asked) > 81 {
					t.Errorf("asked %d times in 20 s", len(asked))
				}
				for i, at := range asked[1:] {
					if gap := at.Sub(asked[i]); gap < pollEvery || gap > pollEvery+quiet {
						t.Errorf("asked again after %v", gap)
					}
				}
				if answers {
					d.wantConditions("starting good")
					if len(d.readings) != len(asked) {
						t.Errorf("%d readings of %d answers", len(d.readings), len(asked))
					}
				} else {
					d.wantConditions("starting silent")
				}
			})
		})
	}
}

// An answer that begins and does not end is reported as damaged and is not joined
// to the next answer; nor is its end a value, when it arrives late. Two requests
// are answered before it and eight after.
func TestRunHalfAnAnswer(t *testing.T) {
	modbus := string(appendCRC([]byte{1, 3, 2, 0x04, 0xE2}))
	tests := []struct {
		p           Protocol
		answer      string
		half, late  string
		value       float64
		good, wrong int
	}{
		// The first bare number after opening and after damage may lack its beginning.
		{mustNew(t, "scpi", Options{Quantity: Temperature, Unit: "C"}), "23.5\n", "1", "", 23.5, 8, 1},
		{mustNew(t, "scpi", Options{Quantity: Temperature, Unit: "C"}), "23.5\n", "2", "3.5\n", 23.5, 9, 1},
		{mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "int16", Exponent: -3}), modbus, modbus[:4], "", 1.25, 10, 1},
		// One byte more than in the standard, as some scales send it.
		{mustNew(t, "sma", Options{Quantity: Weight}), "\n 1G       1.250kg \r\n", "\n 1G       1", "", 1.25, 10, 1},
		{mustNew(t, "sma", Options{Quantity: Weight}), "\n 1G       1.250kg \r\n", "", "", 1.25, 10, 0},
	}
	for _, test := range tests {
		bubble(t, test.p, func(d *stand) {
			if test.p.Name == "scpi" {
				d.s.Quantity = Temperature
			}
			asked := 0
			d.plugged.write = func(p *memPort, _ []byte) error {
				d.Lock()
				defer d.Unlock()
				switch asked++; {
				case asked == 3:
					p.send(test.half)
					time.AfterFunc(350*time.Millisecond, func() { p.send(test.late) })
				case asked == 4: // after what is left of the third
					time.AfterFunc(100*time.Millisecond, func() { p.send(test.answer) })
				case asked <= 11:
					p.send(test.answer)
				}
				return nil
			}
			d.wait(11*(pollEvery+quiet) + quiet)
			good, wrong := 0, 0
			for i, r := range d.readings {
				switch {
				case r.N != uint64(i+1):
					t.Errorf("reading %d is number %d", i+1, r.N)
				case r.Faults == 0 && r.Value == test.value:
					good++
				case r.Faults == fillcalc.FaultFrame && strings.Contains(d.errs[i].Error(), fmt.Sprintf("%q and then nothing", test.half)):
					wrong++
					sound(t, []byte(test.half), d.s.Quantity, r, d.errs[i])
				default:
					t.Errorf("%s after %q: %+v, %v", test.p.Name, test.half, r, d.errs[i])
				}
			}
			if good != test.good || wrong != test.wrong || asked < 11 {
				t.Errorf("%s after %q: %d good and %d damaged of %d answers, want %d and %d", test.p.Name, test.half, good, wrong, asked, test.good, test.wrong)
			}
		})
	}
}

// An instrument that needs longer for an answer than PollEvery is allowed to finish.
func TestRunSlowAnswer(t *testing.T) {
	bubble(t, mustNew(t, "sma", Options{Quantity: Weight}), func(d *stand) {
		d.plugged.write = func(p *memPort, _ []byte) error {
			for i, b := range []byte("\n 1G       1.250kg \r") {
				time.AfterFunc(time.Duration(i)*40*time.Millisecond, func() { p.send(string(b)) })
			}
			return nil
		}
		d.wait(10 * time.Second)
		// An answer takes 0.76 s.
		if want := slices.Repeat([]float64{1.25}, len(d.readings)); !slices.Equal(d.values(), want) || len(want) < 10 {
			t.Errorf("%v, %v", d.values(), d.errs)
		}
	})
}

// A cable is pulled in the middle of a line and plugged in again in the middle of
// another: neither the two halves together nor the second half alone is a line.
func TestRunHalvesOfLinesAreNotJoined(t *testing.T) {
	tests := []struct {
		p                  Protocol
		line, first, other string
	}{
		{mustNew(t, "line", Options{Quantity: Weight, Pattern: "value-unit"}), "1.25 kg\r\n", "1", "2.5 kg\r\n"},
		{mustNew(t, "sma", Options{Quantity: Weight, Repeat: true}), "\n 1G       1.250kg \r", "\n 1G    ", "   2.500kg \r"},
	}
	for _, test := range tests {
		bubble(t, test.p, func(d *stand) {
			d.stream(test.line, 100*time.Millisecond, 2*time.Second)
			d.plugged.send(test.first)
			d.wait(2 * time.Second)
			d.plugged.send(test.other)
			d.stream(test.line, 100*time.Millisecond, 2*time.Second)
			d.wait(0)
			damaged := 0
			for i, r := range d.readings {
				if r.Faults == fillcalc.FaultFrame && strings.Contains(d.errs[i].Error(), "and then nothing: its end is missing") {
					damaged++
				} else if r.Value != 1.25 || r.Faults != 0 {
					t.Errorf("%s: %+v, %v", test.p.Name, r, d.errs[i])
				}
			}
			if damaged != 1 || len(d.readings) < 39 {
				t.Errorf("%s: %d damaged of %d", test.p.Name, damaged, len(d.readings))
			}
			d.wantConditions("starting good")
		})
	}
}

// Half a frame is given up when the port was silent, but not when this program was
// busy, nor because Read returns often.
func TestRunBusyIsNotSilent(t *testing.T) {
	p := mustNew(t, "line", Options{Quantity: Weight, Pattern: "value-unit"})
	parse := p.Parse
	p.Parse = func(frame []byte) (Reading, error) {
		time.Sleep(3 * time.Second)
		return parse(frame)
	}
	bubble(t, p, func(d *stand) {
		d.plugged.send("9 kg\r\n1.25 kg\r\n1")
		d.wait(time.Second)
		d.plugged.send(".5 kg\r\n")
		d.wait(6 * time.Second)
		if want := []float64{1.25, 1.5}; !slices.Equal(d.values(), want) {
			t.Errorf("%v, want %v; %v", d.values(), want, d.errs)
		}
	})
	bubble(t, mustNew(t, "sma", Options{Quantity: Weight}), func(d *stand) {
		d.plugged.wait, d.s.PollEvery = time.Millisecond, 10*time.Millisecond
		d.plugged.write = func(p *memPort, _ []byte) error {
			p.send("\n 1G       1")
			time.AfterFunc(50*time.Millisecond, func() { p.send(".250kg \r") })
			return nil
		}
		d.wait(time.Second)
		if want := slices.Repeat([]float64{1.25}, len(d.readings)); !slices.Equal(d.values(), want) || len(want) < 10 {
			t.Errorf("%v, %v", d.values(), d.errs)
		}
	})
}

// A scale that repeats by itself gets one start request, and another one after
// silence, because it may have been switched off.
func TestRunAsksToStartAgain(t *testing.T) {
	var asked []time.Duration
	bubble(t, mustNew(t, "sma", Options{Quantity: Weight, Repeat: true}), func(d *stand) {
		d.plugged.write = func(_ *memPort, request []byte) error {
			if string(request) != "\nR\r" {
				t.Errorf("asked %q", request)
			}
			d.Lock()
			defer d.Unlock()
			asked = append(asked, time.Since(d.begun))
			return nil
		}
		d.stream("\n 1G       1.250kg \r", 200*time.Millisecond, 20*time.Second)
		d.wait(0)
		if len(asked) != 1 || asked[0] != 0 {
			t.Fatalf("asked at %v, want once at the beginning", asked)
		}
		d.wait(10 * time.Second) // the last frame came at 19.8 s
		if len(asked) != 4 {
			t.Fatalf("asked at %v, want three more times", asked)
		}
		for i, at := range asked[1:] {
			first := 19800*time.Millisecond + silentAfter*time.Duration(i+1)
			if at < first || at > first+time.Duration(i+1)*quiet {
				t.Errorf("asked again after %v, want %v or little later", at, first)
			}
		}
		d.stream("\n 1G       1.250kg \r", 200*time.Millisecond, 10*time.Second)
		d.wait(0)
		if len(asked) != 4 {
			t.Errorf("asked at %v: it sends again", asked)
		}
		d.wantConditions("starting good silent good")
	})
}
