package sensors

import (
	"context"
	"io"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// cable is a pseudo-terminal: the instrument's end and the path of the other end.
type cable struct {
	instrument *os.File
	slave      *os.File // kept open, or the instrument's end fails when a reader closes
	path       string
}

func newCable(t testing.TB) *cable {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	// Raw before the first byte, which a terminal in its default mode would echo.
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		t.Fatal(err)
	}
	c := &cable{instrument: master, slave: slave, path: slave.Name()}
	t.Cleanup(c.pull)
	return c
}

// pull unplugs the cable: readers see the device disappear.
func (c *cable) pull() {
	c.slave.Close()
	c.instrument.Close()
}

func (c *cable) send(t testing.TB, text string) {
	t.Helper()
	if _, err := c.instrument.WriteString(text); err != nil {
		t.Fatal(err)
	}
}

// play runs act as the instrument until the test ends.
func (c *cable) play(t testing.TB, act func(stop <-chan struct{})) {
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		act(stop)
	}()
	t.Cleanup(func() {
		close(stop)
		c.pull() // ends a pending read
		<-done
	})
}

// stream sends the text at an interval until the test ends.
func (c *cable) stream(t testing.TB, text string, every time.Duration) {
	c.play(t, func(stop <-chan struct{}) {
		for {
			select {
			case <-stop:
				return
			case <-time.After(every):
				if _, err := c.instrument.WriteString(text); err != nil {
					return
				}
			}
		}
	})
}

// answer answers requests: reply receives all bytes since the last answer and
// returns "" when it needs more.
func (c *cable) answer(t testing.TB, reply func(asked []byte) string) {
	c.play(t, func(<-chan struct{}) {
		var asked []byte
		buf := make([]byte, 256)
		for {
			n, err := c.instrument.Read(buf)
			if err != nil {
				return
			}
			asked = append(asked, buf[:n]...)
			if text := reply(asked); text != "" {
				asked = nil
				if _, err := c.instrument.WriteString(text); err != nil {
					return
				}
			}
		}
	})
}

var usual = LineSettings{9600, 8, 'N', 1}

func mustOpen(t testing.TB, path string) io.ReadWriteCloser {
	t.Helper()
	port, err := OpenSerial(path, usual, quiet)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { port.Close() })
	return port
}

// readAll reads until n bytes have arrived, for at most five seconds.
func readAll(t testing.TB, port io.Reader, n int) []byte {
	t.Helper()
	var data []byte
	buf := make([]byte, 64)
	for end := time.Now().Add(5 * time.Second); len(data) < n && time.Now().Before(end); {
		got, err := port.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		data = append(data, buf[:got]...)
	}
	return data
}

// listener collects what a running sensor reports.
type listener struct {
	sync.Mutex
	statuses []Status
	good     []Reading
	bad      int
}

func (l *listener) run(t testing.TB, s *Sensor) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s.Run(ctx, func(r Reading, err error) {
			l.Lock()
			defer l.Unlock()
			if err != nil {
				l.bad++
				return
			}
			l.good = append(l.good, r)
		}, func(s Status) {
			l.Lock()
			defer l.Unlock()
			l.statuses = append(l.statuses, s)
		})
	}()
	return func() {
		begun := time.Now()
		cancel()
		<-ended
		if took := time.Since(begun); took > 10*time.Second {
			t.Errorf("Run took %v to end", took)
		}
	}
}

// until waits for something to become true.
func (l *listener) until(t testing.TB, what string, true func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		l.Lock()
		ok := true()
		l.Unlock()
		if ok {
			return
		}
	}
	l.Lock()
	defer l.Unlock()
	t.Fatalf("%s did not happen: %v, %d good, %d bad", what, l.statuses, len(l.good), l.bad)
}

func (l *listener) last() Status {
	if len(l.statuses) == 0 {
		return Status{}
	}
	return l.statuses[len(l.statuses)-1]
}
