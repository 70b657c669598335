package sensors

import (
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"bayfill/fillcalc"
)

// Bytes that make no sense are distinguished from silence, with a likely cause.
func TestRunNonsense(t *testing.T) {
	tests := []struct {
		name, bytes string
		cause       Cause
	}{
		{"even parity", string(withParity([]byte(goodLine), 'E')), SevenEven},
		{"odd parity", string(withParity([]byte(goodLine), 'O')), SevenOdd},
		{"break", "\x00\x00\x00\x00A\n\x00\x00", NULBytes},
		{"wrong speed", "\xf8\x80x\x1e\xe6\xfe\x00\n\x81", ""},
		{"another protocol", "hello\n", ""},
		{"no line end", "U", ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			bubble(t, lineProtocol(t), func(d *stand) {
				d.stream(test.bytes, 100*time.Millisecond, 8*time.Second)
				d.wantConditions("starting nonsense")
				d.wantLast(Nonsense, 3*time.Second, 3200*time.Millisecond, "bytes arrived and no good frame")
				if got := d.statuses[1]; got.Cause != test.cause || got.Bytes == 0 || got.SinceNs > int64(quiet) {
					t.Errorf("%+v, want the cause %q since the port was opened or the first frame came", got.Status, test.cause)
				}
				for _, r := range d.readings {
					if !r.Faults.Hidden() {
						t.Errorf("read as %g", r.Value)
					}
				}
				// When they end, nothing arrives, which is another condition.
				d.wait(10 * time.Second)
				d.wantConditions("starting nonsense silent")
				d.wantLast(Silent, 10900*time.Millisecond, 11200*time.Millisecond, "nothing arrives since")
				d.stream(goodLine, 100*time.Millisecond, time.Second)
				d.wantConditions("starting nonsense silent good")
			})
		})
	}
}

// Damaged frames are neither silence nor bytes without a frame, and are reported
// with the time of the first one. When they end, silence begins.
func TestRunDamagedFrames(t *testing.T) {
	whole := appendCRC([]byte{1, 3, 2, 0x04, 0xE2})
	damaged := slices.Clone(whole)
	damaged[4] ^= 1
	for _, every := range []time.Duration{pollEvery, 5 * time.Second} {
		bubble(t, mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "int16", Exponent: -3}), func(d *stand) {
			d.s.PollEvery = every
			answer := whole
			d.plugged.write = func(p *memPort, _ []byte) error {
				d.Lock()
				defer d.Unlock()
				if answer != nil {
					p.send(string(answer))
				}
				return nil
			}
			d.wait(61 * time.Second)
			d.wantConditions("starting good")
			answer = damaged
			d.wait(60 * time.Second)
			d.wantConditions("starting good nonsense")
			d.wantLast(Nonsense, 64*time.Second, 80*time.Second, "damaged frames since 00:01:0")
			answer = nil
			d.wait(60 * time.Second)
			d.wantConditions("starting good nonsense silent")
			if since := time.Duration(d.statuses[3].SinceNs); since < 115*time.Second || since > 121*time.Second {
				t.Errorf("asked every %v: silent since %v, the last answer came before 121 s", every, since)
			}
			answer = whole
			d.wait(10 * time.Second)
			d.wantConditions("starting good nonsense silent good")
		})
	}
}

// An instrument that clearly states that it has no value works, so its condition
// is good.
func TestRunFaultsArePassedOn(t *testing.T) {
	bubble(t, lineProtocol(t), func(d *stand) {
		d.stream("OL,GS,+9999.999kg\r\n", 100*time.Millisecond, 10*time.Second)
		d.wantConditions("starting good")
		d.plugged.send("garbage\r\n")
		d.plugged.send(goodLine)
		d.wait(0)
		n := len(d.readings)
		if n != 101 {
			t.Fatalf("%d readings, want 101", n)
		}
		want := []fillcalc.Faults{fillcalc.FaultOverload, fillcalc.FaultFrame, 0}
		for i, r := range d.readings[n-3:] {
			if r.Faults != want[i] || (d.errs[n-3+i] != nil) != r.Faults.Hidden() {
				t.Errorf("%v, %v; want %v", r.Faults.Names(), d.errs[n-3+i], want[i].Names())
			}
		}
		for i, r := range d.readings { // faulty frames are counted too
			if r.N != uint64(i+1) {
				t.Fatalf("reading %d is number %d", i+1, r.N)
			}
		}
	})
}

// A port that accepts no bytes is noticed, reported and opened again. Close may not
// end the Write of a real port, so here it does in one case and not in the other.
func TestRunStuckWrite(t *testing.T) {
	for _, free := range []bool{true, false} {
		t.Run(fmt.Sprintf("freed by Close %v", free), func(t *testing.T) {
			release := make(chan struct{})
			bubble(t, mustNew(t, "sma", Options{Quantity: Weight}), func(d *stand) {
				release = make(chan struct{}) // of this bubble
				stuck := d.plugged
				stuck.write = func(p *memPort, _ []byte) error {
					if free {
						<-p.closed
					} else {
						<-release
					}
					return fs.ErrClosed
				}
				d.wait(1500 * time.Millisecond)
				d.wantConditions("starting")
				d.plugged = newMemPort()
				d.plugged.write = func(p *memPort, _ []byte) error {
					p.send("\n 1G       1.250kg \r")
					return nil
				}
				d.wait(2500 * time.Millisecond)
				// One request is in the port and one waits, queued at 0.3 s. Then follow the
				// interval, two seconds, and one second for a Write that does not return.
				d.wantConditions("starting stuck")
				said := 2500 * time.Millisecond
				if !free {
					said += time.Second
				}
				d.wantLast(Stuck, said, said+400*time.Millisecond, "the port takes no bytes: flow control")
				if len(d.opened) != 1 {
					t.Errorf("opened at %v", d.opened)
				}
				select {
				case <-stuck.closed:
				default:
					t.Error("the stuck port was not closed")
				}
				d.wait(5 * time.Second)
				d.wantConditions("starting stuck good")
				if len(d.opened) != 2 || d.opened[1] < 4500*time.Millisecond || d.opened[1] > 6*time.Second {
					t.Errorf("opened at %v", d.opened)
				}
				close(release)
			})
		})
	}
}

// The port of a silent repeating scale is recognised as stuck by its start request.
func TestRunStuckStart(t *testing.T) {
	bubble(t, mustNew(t, "sma", Options{Quantity: Weight, Repeat: true}), func(d *stand) {
		d.plugged.write = func(p *memPort, _ []byte) error { <-p.closed; return fs.ErrClosed }
		d.wait(9 * time.Second)
		d.wantConditions("starting silent stuck")
	})
}

func TestRunUnpluggedInMidFrame(t *testing.T) {
	tests := []struct {
		p                  Protocol
		first, half, other string
		want               []float64
	}{
		// The first line after each opening is skipped, because it may lack its beginning.
		// Bytes before the interruption are not joined to bytes after it.
		{lineProtocol(t), goodLine + goodLine + "ST,GS,+00", "ST,GS,+00", "02.500kg\r\n" + goodLine, []float64{1.25, 1.25}},
		{mustNew(t, "line", Options{Quantity: Weight, Pattern: "value-unit"}), "9 kg\r\n1.25 kg\r\n 1", "1", "2.500 kg\r\n1.25 kg\r\n", []float64{1.25, 1.25}},
		// SMA frames show where they begin, so none is skipped.
		{mustNew(t, "sma", Options{Quantity: Weight, Repeat: true}), "\n 1G       1.250kg \r\n 1G    ", "", "   2.500kg \r\n 1G       1.250kg \r", []float64{1.25, 1.25}},
	}
	for _, test := range tests {
		bubble(t, test.p, func(d *stand) {
			first := d.plugged
			d.plugged.send(test.first)
			d.wait(time.Second)
			d.failing = explainOpen("/dev/serial/by-id/scale", unix.ENOENT)
			close(first.gone)
			d.wait(quiet)
			d.wantLast(Missing, time.Second, 1100*time.Millisecond, "the port went away: is the cable plugged in?")
			select {
			case <-first.closed:
			default:
				t.Error("the port that is gone was not closed")
			}
			d.wait(9900 * time.Millisecond)
			d.wantConditions("starting good missing") // reported once, however often it is tried
			if len(d.opened) != 6 {
				t.Errorf("opened at %v, want an attempt every %v", d.opened, retryEvery)
			}
			d.failing, d.plugged = nil, newMemPort()
			d.plugged.send(test.other)
			d.wait(6 * time.Second)
			d.wantConditions("starting good missing good silent")
			if !slices.Equal(d.values(), test.want) {
				t.Errorf("%s: values %v, want %v", test.p.Name, d.values(), test.want)
			}
			for i, r := range d.readings { // the count continues after the gap
				if r.N != uint64(i+1) {
					t.Errorf("reading %d is number %d", i+1, r.N)
				}
			}
		})
	}
}

func TestRunFirstCutLineIsSkipped(t *testing.T) {
	bubble(t, mustNew(t, "line", Options{Quantity: Weight, Pattern: "value-unit"}), func(d *stand) {
		for range 3 {
			d.plugged.send(".250 kg\r\n1.250 kg\r\n1.251 kg\r\n")
			d.wait(time.Second)
			first := d.plugged
			d.plugged = newMemPort()
			close(first.gone)
			d.wait(5 * time.Second)
		}
		if want := []float64{1.25, 1.251, 1.25, 1.251, 1.25, 1.251}; !slices.Equal(d.values(), want) {
			t.Errorf("%v, want %v", d.values(), want)
		}
		if last := d.readings[len(d.readings)-1].N; last != 6 {
			t.Errorf("the count is %d: a skipped line must not count", last)
		}
	})
}

// Each reason why a port does not open is reported once, and Run keeps trying.
func TestRunOpenFails(t *testing.T) {
	bubble(t, lineProtocol(t), func(d *stand) {
		const path = "/dev/serial/by-id/scale"
		d.failing = explainOpen(path, unix.ENOENT)
		d.wait(10*time.Second + time.Millisecond)
		d.wantConditions("starting missing")
		d.failing = explainOpen(path, unix.EACCES)
		d.wait(10 * time.Second)
		d.failing = explainOpen(path, unix.EBUSY)
		d.wait(10 * time.Second)
		d.failing = explainOpen(path, unix.EIO)
		d.wait(10 * time.Second)
		d.failing = nil
		d.stream(goodLine, 100*time.Millisecond, 4*time.Second)
		d.wantConditions("starting missing no_access busy failed good")
		if len(d.opened) != 22 {
			t.Errorf("%d attempts in 42 s, want one every %v", len(d.opened), retryEvery)
		}
		texts := []string{"opening the port", path + " is missing", path + " may not be opened", path + " is held by another program", path + ": input/output error"}
		for i, text := range texts {
			if !strings.HasPrefix(d.statuses[i].Text(TimeOfDay), text) {
				t.Errorf("%q, want %q", d.statuses[i].Text(TimeOfDay), text)
			}
		}
	})
}

// Endless bytes without a frame do not fill the buffer.
func TestRunGarbageWithoutEnd(t *testing.T) {
	for _, p := range []Protocol{
		lineProtocol(t),
		mustNew(t, "sma", Options{Quantity: Weight, Repeat: true}),
		mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "int32"}),
	} {
		frame := map[string]string{
			"line": "\r\n" + goodLine, "sma": "\n 1G       1.250kg \r", "modbus": string(appendCRC([]byte{1, 3, 4, 0, 0, 0, 9})),
		}[p.Name]
		for _, garbage := range []string{"U", "\n", "\x01", "\x01\x03\x04", "7"} {
			bubble(t, p, func(d *stand) {
				d.plugged.send(strings.Repeat(garbage, 3000))
				d.wait(time.Second)
				for range 3 {
					d.plugged.send(frame)
				}
				d.wait(time.Second)
				goodN := 0
				for _, r := range d.readings {
					if r.Faults == 0 {
						goodN++
					}
				}
				if goodN < 2 || goodN > 3 {
					t.Errorf("%s after %q: %d good readings, want 2 or 3", p.Name, garbage, goodN)
				}
			})
		}
	}
}

// Run ends within one Read, whatever it is doing, and leaves no goroutine behind:
// the bubble checks that.
func TestRunShutdown(t *testing.T) {
	polled := mustNew(t, "sma", Options{Quantity: Weight})
	situations := map[string]func(d *stand){
		"at once":      func(d *stand) {},
		"silent":       func(d *stand) { d.wait(10 * time.Second) },
		"in mid-frame": func(d *stand) { d.plugged.send("\n 1G"); d.wait(time.Second) },
		"port missing": func(d *stand) {
			d.wait(time.Second)
			d.failing = unix.ENOENT
			close(d.plugged.gone)
			d.wait(10 * time.Second)
		},
		"write in flight": func(d *stand) { d.plugged.write = waitForClose; d.wait(time.Second) },
		"after good": func(d *stand) {
			d.stream("\n 1G       1.250kg \r", 10*time.Millisecond, time.Second)
		},
	}
	for name, situation := range situations {
		t.Run(name, func(t *testing.T) {
			bubble(t, polled, func(d *stand) {
				situation(d)
				port := d.plugged
				d.stop()
				if len(d.opened) > 0 {
					select {
					case <-port.closed:
					default:
						t.Error("the port is still open")
					}
				}
			})
		})
	}
}
