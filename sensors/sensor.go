package sensors

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"time"

	"bayfill/fillcalc"
)

// Sensor is one instrument on one port.
type Sensor struct {
	Name     string
	Quantity Quantity
	Protocol Protocol
	// Open opens the port. Its Read must return 0, nil after a short silence, and
	// an error once the port is closed or gone.
	Open func() (io.ReadWriteCloser, error)
	// SevenBits drops the eighth bit of every byte: on some adapters the parity
	// bit of a seven-bit line shows there.
	SevenBits bool
	PollEvery time.Duration // for polled protocols
	// SilentAfter is how long the sensor may be without a good frame before that
	// is said; a polled one may miss one answer in any case.
	SilentAfter time.Duration
	RetryEvery  time.Duration // wait before a port is opened again
	// NowNs is the clock that stamps arrivals, in nanoseconds since 1970 UTC.
	NowNs func() int64

	count uint64
}

// Run reads the sensor until ctx ends; it opens the port, and opens it again
// when it comes back. Each frame, good or faulty, goes to reading with the error
// that made it faulty; of damaged ones at most ten a second, the others are only
// counted. status is called when the condition changes. Both are
// called from this goroutine and may block.
func (s *Sensor) Run(ctx context.Context, reading func(Reading, error), status func(Status)) {
	report := reporter{status: status}
	report.tell(Status{Starting, "opening the port"})
	for {
		err := s.session(ctx, reading, &report)
		if ctx.Err() != nil {
			return
		}
		var pe *portError
		switch {
		case errors.As(err, &pe):
			report.tell(pe.Status)
		default:
			report.tell(Status{Missing, "the port went away: is the cable plugged in?"})
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(s.RetryEvery):
		}
	}
}

// reporter passes on a status only when its condition changes.
type reporter struct {
	status func(Status)
	last   Condition
}

func (r *reporter) tell(s Status) {
	if s.Condition != r.last {
		r.last = s.Condition
		r.status(s)
	}
}

// session is one opening of the port. It returns why it ended.
func (s *Sensor) session(ctx context.Context, reading func(Reading, error), report *reporter) error {
	port, err := s.Open()
	if err != nil {
		return err
	}
	ask, done := s.asker(port)
	defer done()
	var (
		buf         [512]byte
		held        = buf[:0]
		opened      = time.Now()
		lastGood    = opened
		lastAsked   time.Time
		skip        = s.Protocol.SkipFirst
		lastByte    = opened
		firstByte   time.Time // of those that watch saw
		watch       nonsense
		lastGarbled time.Time // of those given on
		silentAfter = s.SilentAfter
	)
	if s.Protocol.Poll != nil {
		silentAfter = max(silentAfter, 2*s.PollEvery)
	}
	deliver := func(r Reading, err error, atNs int64) {
		s.count++
		r.N, r.AtNs = s.count, atNs
		if garbled(r.Faults) {
			watch.damaged(atNs)
			if time.Since(lastGarbled) >= garbledEvery {
				lastGarbled = time.Now()
				reading(r, err)
			}
			return
		}
		reading(r, err)
		lastGood = time.Now()
		watch = nonsense{}
		report.tell(Status{Good, "frames arrive"})
	}
	for ctx.Err() == nil {
		now := time.Now()
		// While an answer arrives the next question waits: the answers would join.
		if s.Protocol.Poll == nil || !begun(held) {
			if err := s.ask(ask, now, lastGood, &lastAsked); err != nil {
				return err
			}
		}
		n, err := port.Read(buf[len(held):])
		if err != nil {
			return err
		}
		atNs := s.NowNs()
		fresh := buf[len(held) : len(held)+n]
		if n > 0 {
			lastByte = time.Now()
			if watch.bytes == 0 {
				firstByte = lastByte
			}
			watch.see(fresh)
		}
		if s.SevenBits {
			for i := range fresh {
				fresh[i] &= 0x7F
			}
		}
		held = buf[:len(held)+n]
		rest := held
		for len(rest) > 0 {
			advance, frame := s.Protocol.Split(rest)
			if advance == 0 {
				break
			}
			rest = rest[advance:]
			if frame == nil {
				continue
			}
			if skip {
				skip = false
				continue
			}
			r, err := s.Protocol.Parse(frame)
			deliver(r, err, atNs)
		}
		held = buf[:copy(buf[:], rest)]
		if len(held) == len(buf) {
			held = buf[:0] // no protocol's frame is this long
		}
		pause := time.Since(lastByte)
		pollDue := s.Protocol.Poll != nil && time.Since(lastAsked) >= s.PollEvery
		// Only a Read that came back empty shows silence; a long pause may also be
		// this goroutine's own.
		if n == 0 && begun(held) && (pause > framePause || pollDue && pause >= quiet) {
			r, err := refuse(s.Quantity, fillcalc.FaultFrame, "frame", len(held), "%.40q and then nothing: its end is missing", held)
			deliver(r, err, atNs)
			held = buf[:0]
			// What comes next may be that end.
			skip = s.Protocol.SkipFirst
		}
		if since := time.Since(lastGood); since > silentAfter {
			if pause > silentAfter {
				watch = nonsense{}
			}
			// An instrument that has just been switched on gets as long to send a frame.
			if watch.bytes == 0 {
				report.tell(Status{Silent, fmt.Sprintf("nothing arrives since %g s: is the instrument switched on, connected, and set to send?", pause.Round(500*time.Millisecond).Seconds())})
			} else if time.Since(firstByte) > silentAfter {
				report.tell(watch.status(since))
			}
		}
	}
	return ctx.Err()
}

// framePause is longer than any instrument pauses within a frame: half a frame
// that is older has lost its end.
const framePause = time.Second

// garbledEvery keeps an instrument that babbles from filling the journal: at
// 115,200 baud garbage may hold thousands of what ends like a frame.
const garbledEvery = 100 * time.Millisecond

// begun tells that bytes are the beginning of a frame. A line end alone is none:
// some instruments send one more than their protocol has.
func begun(held []byte) bool { return len(bytes.Trim(held, "\r\n")) > 0 }

// garbled faults say that the bytes make no sense; the others are an
// instrument's clear words.
func garbled(f fillcalc.Faults) bool {
	return f&(fillcalc.FaultChecksum|fillcalc.FaultFrame) != 0
}

// asker gives a polled port a goroutine of its own for writing: a write to a
// stuck port does not return, and must not hold up reading. done closes the
// port and waits for that goroutine unless it is stuck for good.
func (s *Sensor) asker(port io.ReadWriteCloser) (ask chan<- []byte, done func()) {
	if s.Protocol.Poll == nil && s.Protocol.Start == nil {
		return nil, func() { port.Close() }
	}
	requests := make(chan []byte, 1)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for request := range requests {
			if _, err := port.Write(request); err != nil {
				// The reader meets the same fault and says so.
				for range requests {
				}
				return
			}
		}
	}()
	return requests, func() {
		close(requests)
		port.Close()
		select {
		case <-ended:
		case <-time.After(time.Second):
		}
	}
}

// stuckAfter is how long a request may wait for the one before it to be taken.
const stuckAfter = 2 * time.Second

// ask sends what is due: the poll every PollEvery, the start request after
// opening and after silence.
func (s *Sensor) ask(to chan<- []byte, now, lastGood time.Time, lastAsked *time.Time) error {
	request, every := s.Protocol.Poll, s.PollEvery
	if request == nil {
		request, every = s.Protocol.Start, s.SilentAfter
		if now.Sub(lastGood) < every && !lastAsked.IsZero() {
			return nil
		}
	}
	if request == nil || now.Sub(*lastAsked) < every {
		return nil
	}
	select {
	case to <- request:
		*lastAsked = now
	default:
		if !lastAsked.IsZero() && now.Sub(*lastAsked) > every+stuckAfter {
			return &portError{Status: Status{Stuck, "the port takes no bytes: flow control at the instrument, or an adapter that hangs: pull it and plug it in again"}}
		}
	}
	return nil
}

// nonsense looks at bytes among which no good frame was found.
type nonsense struct {
	bytes, high, even, odd, nul int

	frames  int   // found among them, and damaged
	sinceNs int64 // when the first of these came
}

func (w *nonsense) damaged(atNs int64) {
	if w.frames == 0 {
		w.sinceNs = atNs
	}
	w.frames++
}

func (w *nonsense) see(data []byte) {
	for _, b := range data {
		w.bytes++
		if b == 0 {
			w.nul++
		}
		if b >= 0x80 {
			w.high++
		}
		if bits.OnesCount8(b)%2 == 0 {
			w.even++
		} else {
			w.odd++
		}
	}
}

func (w *nonsense) status(since time.Duration) Status {
	hint := "wrong speed, parity or protocol: compare with bayfill listen"
	switch {
	case w.high > 0 && w.even == w.bytes:
		hint = "the bytes look like seven data bits with even parity: try 7E1"
	case w.high > 0 && w.odd == w.bytes:
		hint = "the bytes look like seven data bits with odd parity: try 7O1"
	case w.nul*2 > w.bytes:
		hint = "mostly NUL bytes: wrong parity, or a break on the line"
	}
	if w.frames > 0 {
		return Status{Nonsense, fmt.Sprintf("damaged frames since %s: %d bytes arrived and no good frame: %s",
			time.Unix(0, w.sinceNs).UTC().Format("15:04:05 UTC"), w.bytes, hint)}
	}
	return Status{Nonsense, fmt.Sprintf("%d bytes arrived and no good frame since %.0f s: %s", w.bytes, since.Seconds(), hint)}
}
