package sensors

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"bayfill/fillcalc"
)

// The tests of this file run Sensor.Run on a simulated clock and a port in memory:
// which condition it reports, and when.

var errUnplugged = errors.New("input/output error")

// memPort is a port in memory. Like that of a real port, its Read waits a tenth of
// a second for bytes and then returns 0, nil.
type memPort struct {
	arriving chan []byte
	rest     []byte // received, but too long for the last Read
	gone     chan struct{}
	closed   chan struct{}
	once     sync.Once
	wait     time.Duration
	// write is called with each request; nil accepts everything.
	write func(p *memPort, request []byte) error
}

func newMemPort() *memPort {
	return &memPort{arriving: make(chan []byte, 10000), gone: make(chan struct{}), closed: make(chan struct{}), wait: quiet}
}

func (p *memPort) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, io.ErrShortBuffer
	}
	if len(p.rest) == 0 {
		select {
		case <-p.closed:
			return 0, fs.ErrClosed
		case p.rest = <-p.arriving:
		default:
			select {
			case <-p.closed:
				return 0, fs.ErrClosed
			case <-p.gone:
				return 0, errUnplugged
			case p.rest = <-p.arriving:
			case <-time.After(p.wait):
				return 0, nil
			}
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (p *memPort) Write(b []byte) (int, error) {
	select {
	case <-p.closed:
		return 0, fs.ErrClosed
	case <-p.gone:
		return 0, errUnplugged
	default:
	}
	if p.write != nil {
		if err := p.write(p, slices.Clone(b)); err != nil {
			return 0, err
		}
	}
	return len(b), nil
}

func (p *memPort) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

func (p *memPort) send(text string) { p.arriving <- []byte(text) }

type told struct {
	at time.Duration
	Status
}

// stand is a sensor under test with everything that it reported. The test holds
// the lock except while time passes.
type stand struct {
	sync.Mutex
	t        *testing.T
	s        *Sensor
	begun    time.Time
	plugged  *memPort // what Open returns
	failing  error    // what Open returns instead, unless nil
	opened   []time.Duration
	readings []Reading
	errs     []error
	statuses []told
	cancel   context.CancelFunc
	ended    chan struct{}
}

const (
	pollEvery   = 250 * time.Millisecond
	silentAfter = 3 * time.Second
	retryEvery  = 2 * time.Second
)

// bubble runs a sensor on a simulated clock. The end of the bubble fails when Run
// leaves a goroutine behind.
func bubble(t *testing.T, p Protocol, act func(d *stand)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		d := &stand{t: t, plugged: newMemPort(), begun: time.Now(), ended: make(chan struct{})}
		d.s = &Sensor{
			Name: "scale", Quantity: Weight, Protocol: p, PollEvery: pollEvery, SilentAfter: silentAfter, RetryEvery: retryEvery,
			NowNs: func() int64 { return int64(time.Since(d.begun)) },
			Open: func() (io.ReadWriteCloser, error) {
				d.Lock()
				defer d.Unlock()
				d.opened = append(d.opened, time.Since(d.begun))
				if d.failing != nil {
					return nil, d.failing
				}
				return d.plugged, nil
			},
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		d.cancel = cancel
		d.Lock()
		go func() {
			defer close(d.ended)
			d.s.Run(ctx, func(r Reading, err error) {
				d.Lock()
				defer d.Unlock()
				d.readings, d.errs = append(d.readings, r), append(d.errs, err)
			}, func(s Status) {
				d.Lock()
				defer d.Unlock()
				d.statuses = append(d.statuses, told{time.Since(d.begun), s})
			})
		}()
		act(d)
		d.stop()
		d.Unlock()
	})
}

// stop ends Run, which must return within one Read.
func (d *stand) stop() {
	d.t.Helper()
	at := time.Now()
	d.cancel()
	d.Unlock()
	<-d.ended
	d.Lock()
	if took := time.Since(at); took > quiet {
		d.t.Errorf("Run took %v to end", took)
	}
}

// wait lets time pass and everything settle.
func (d *stand) wait(long time.Duration) {
	d.Unlock()
	time.Sleep(long)
	synctest.Wait()
	d.Lock()
}

// stream sends the text again and again at an interval, for some time.
func (d *stand) stream(text string, every, long time.Duration) {
	for end := time.Now().Add(long); time.Now().Before(end); d.wait(every) {
		d.plugged.send(text)
	}
}

func (d *stand) conditions() string {
	words := make([]string, len(d.statuses))
	for i, s := range d.statuses {
		words[i] = string(s.Condition)
	}
	return strings.Join(words, " ")
}

func (d *stand) wantConditions(want string) {
	d.t.Helper()
	if got := d.conditions(); got != want {
		d.t.Errorf("conditions %q, want %q (%v)", got, want, d.statuses)
	}
}

// wantLast checks the newest status: its condition, when it was reported, and a
// part of its text.
func (d *stand) wantLast(c Condition, from, to time.Duration, text string) {
	d.t.Helper()
	last := d.statuses[len(d.statuses)-1]
	if last.Condition != c || last.at < from || last.at > to || !strings.Contains(last.Text(TimeOfDay), text) {
		d.t.Errorf("last status %s after %v: %q; want %s after %v to %v: %q", last.Condition, last.at, last.Text(TimeOfDay), c, from, to, text)
	}
}

func (d *stand) values() []float64 {
	list := []float64{}
	for _, r := range d.readings {
		list = append(list, r.Value)
	}
	return list
}

func lineProtocol(t *testing.T) Protocol {
	return mustNew(t, "line", Options{Quantity: Weight, Pattern: "status-kind-value-unit"})
}

const goodLine = "ST,GS,+0001.250kg\r\n"

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

func waitForClose(p *memPort, _ []byte) error { <-p.closed; return fs.ErrClosed }
