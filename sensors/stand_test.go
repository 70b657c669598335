package sensors

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

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

func waitForClose(p *memPort, _ []byte) error { <-p.closed; return fs.ErrClosed }
