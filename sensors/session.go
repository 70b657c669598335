package sensors

import (
	"bytes"
	"context"
	"io"
	"math/bits"
	"sync"
	"time"

	"bayfill/fillcalc"
)

const (
	// framePause is longer than any instrument pauses within a frame. After it, half
	// a frame has lost its end.
	framePause = time.Second
	// garbledEvery limits the garbled frames that are passed on, so that they do not
	// fill the journal: random bytes at 115,200 baud can hold thousands of apparent
	// frames a second.
	garbledEvery = 100 * time.Millisecond
	// stuckAfter is how long a request may wait for the port to accept the request
	// before it.
	stuckAfter = 2 * time.Second
)

// session is one opening of a sensor's port, from Open to the first error.
type session struct {
	sensor      *Sensor
	port        io.ReadWriteCloser
	requests    chan<- []byte // to the goroutine that writes; nil when the protocol sends none
	reading     func(Reading, error)
	report      *reporter
	silentAfter time.Duration

	buf     [512]byte
	pending []byte // front of buf: received, not yet part of a frame
	skip    bool   // skip the next frame: its beginning may be lost

	lastGood    instant // arrival of the last good frame
	lastByte    instant
	firstByte   time.Time // of those in stats
	lastRequest time.Time
	lastGarbled time.Time // that was passed on
	stats       byteStats
}

// instant is one moment on two clocks. The monotonic clock decides what is
// overdue; the sensor's clock, which may run faster in a simulation, is reported.
type instant struct {
	at time.Time
	ns int64
}

// runSession opens the port and reads it until ctx ends or the port fails. The
// error says why it ended.
func (s *Sensor) runSession(ctx context.Context, reading func(Reading, error), report *reporter) error {
	port, err := s.Open()
	if err != nil {
		return err
	}
	shut := sync.OnceFunc(func() { port.Close() })
	requests, closePort := s.startWriter(port, shut)
	defer closePort()
	// At the end nobody waits for a silent instrument.
	defer context.AfterFunc(ctx, shut)()
	opened := instant{time.Now(), s.NowNs()}
	session := &session{
		sensor: s, port: port, requests: requests, reading: reading, report: report,
		silentAfter: s.SilentAfter, skip: s.Protocol.SkipFirst, lastGood: opened, lastByte: opened,
	}
	if s.Protocol.Poll != nil {
		session.silentAfter = max(session.silentAfter, 2*s.PollEvery)
	}
	for ctx.Err() == nil {
		if err := session.request(time.Now()); err != nil {
			return err
		}
		if err := session.read(); err != nil {
			return err
		}
		session.watch()
	}
	return ctx.Err()
}

// read waits for bytes once and delivers the frames that they complete.
func (s *session) read() error {
	n, err := s.port.Read(s.buf[len(s.pending):])
	if err != nil {
		return err
	}
	atNs := s.sensor.NowNs()
	if n == 0 {
		s.endHalfFrame(atNs)
		return nil
	}
	s.lastByte = instant{time.Now(), atNs}
	if s.stats.bytes == 0 {
		s.firstByte = s.lastByte.at
	}
	fresh := s.buf[len(s.pending) : len(s.pending)+n]
	s.stats.add(fresh)
	if s.sensor.SevenBits {
		for i := range fresh {
			fresh[i] &= 0x7F
		}
	}
	s.split(s.buf[:len(s.pending)+n], atNs)
	return nil
}

// split delivers all whole frames in data, which is the front of buf, and keeps
// the rest as pending.
func (s *session) split(data []byte, atNs int64) {
	protocol := &s.sensor.Protocol
	for len(data) > 0 {
		advance, frame := protocol.Split(data)
		if advance == 0 {
			break
		}
		data = data[advance:]
		switch {
		case frame == nil:
		case s.skip:
			s.skip = false
		default:
			r, err := protocol.Parse(frame)
			s.deliver(r, err, atNs)
		}
	}
	s.pending = s.buf[:copy(s.buf[:], data)]
	if len(s.pending) == len(s.buf) {
		s.pending = s.buf[:0] // no frame of any protocol is this long
	}
}

// deliver numbers a frame and passes it on.
func (s *session) deliver(r Reading, err error, atNs int64) {
	s.sensor.count++
	r.N, r.AtNs = s.sensor.count, atNs
	if garbled(r.Faults) {
		s.stats.addDamaged(atNs)
		if time.Since(s.lastGarbled) >= garbledEvery {
			s.lastGarbled = time.Now()
			s.reading(r, err)
		}
		return
	}
	s.reading(r, err)
	s.lastGood = instant{time.Now(), atNs}
	s.stats = byteStats{}
	s.report.pass(Status{Condition: Good})
}

// endHalfFrame gives up a frame whose end does not come. It is called only after
// a Read without a byte: a long pause between two reads may also be this
// goroutine's own.
func (s *session) endHalfFrame(atNs int64) {
	pause := time.Since(s.lastByte.at)
	pollDue := s.sensor.Protocol.Poll != nil && time.Since(s.lastRequest) >= s.sensor.PollEvery
	if !begun(s.pending) || !(pause > framePause || pollDue && pause >= quiet) {
		return
	}
	r, err := refuse(s.sensor.Quantity, fillcalc.FaultFrame, "frame", len(s.pending), "%.40q and then nothing: its end is missing", s.pending)
	s.deliver(r, err, atNs)
	s.pending = s.buf[:0]
	s.skip = s.sensor.Protocol.SkipFirst // the next bytes may be the missing end
}

// watch reports a sensor that has sent no good frame for too long.
func (s *session) watch() {
	if time.Since(s.lastGood.at) <= s.silentAfter {
		return
	}
	if time.Since(s.lastByte.at) > s.silentAfter {
		s.stats = byteStats{}
	}
	switch {
	case s.stats.bytes == 0:
		s.report.pass(Status{Condition: Silent, SinceNs: s.lastByte.ns})
	case time.Since(s.firstByte) > s.silentAfter:
		// An instrument that was just switched on has had as long to send a frame.
		s.report.pass(s.stats.status(s.lastGood.ns))
	}
}

// request sends the request that is due: Poll every PollEvery, Start after opening
// and after silence. The error is a Status when the port accepts no bytes.
func (s *session) request(now time.Time) error {
	protocol := &s.sensor.Protocol
	request, every := protocol.Poll, s.sensor.PollEvery
	switch {
	case protocol.Poll == nil:
		request, every = protocol.Start, s.sensor.SilentAfter
		if request == nil || now.Sub(s.lastGood.at) < every && !s.lastRequest.IsZero() {
			return nil
		}
	case begun(s.pending):
		return nil // while an answer arrives: two answers would run into each other
	}
	if now.Sub(s.lastRequest) < every {
		return nil
	}
	select {
	case s.requests <- request:
		s.lastRequest = now
	default:
		if !s.lastRequest.IsZero() && now.Sub(s.lastRequest) > every+stuckAfter {
			return &statusError{Status{Condition: Stuck}}
		}
	}
	return nil
}

// startWriter gives a port that is sent requests a goroutine for writing: a write
// to a stuck port does not return, and must not delay reading. closePort shuts
// the port and waits for that goroutine, at most a second: it does not end on a
// port that is stuck for good.
func (s *Sensor) startWriter(port io.Writer, shut func()) (requests chan<- []byte, closePort func()) {
	if s.Protocol.Poll == nil && s.Protocol.Start == nil {
		return nil, shut
	}
	queue := make(chan []byte, 1)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for request := range queue {
			if _, err := port.Write(request); err != nil {
				// Read meets the same error and reports it.
				for range queue {
				}
				return
			}
		}
	}()
	return queue, func() {
		close(queue)
		shut()
		select {
		case <-ended:
		case <-time.After(time.Second):
		}
	}
}

// begun reports whether bytes are the beginning of a frame. A line end alone is not:
// some instruments send one more than their protocol has.
func begun(pending []byte) bool { return len(bytes.Trim(pending, "\r\n")) > 0 }

// garbled reports whether faults mean that the bytes make no sense. The other faults
// are clear statements of the instrument.
func garbled(f fillcalc.Faults) bool {
	return f&(fillcalc.FaultChecksum|fillcalc.FaultFrame) != 0
}

// byteStats describes the bytes since the last good frame.
type byteStats struct {
	bytes, high, even, odd, nul int // all; with bit 7 set; with an even or odd number of ones; NUL

	damaged   int   // frames
	damagedNs int64 // arrival of the first of them
}

func (b *byteStats) addDamaged(atNs int64) {
	if b.damaged == 0 {
		b.damagedNs = atNs
	}
	b.damaged++
}

func (b *byteStats) add(data []byte) {
	for _, x := range data {
		b.bytes++
		if x == 0 {
			b.nul++
		}
		if x >= 0x80 {
			b.high++
		}
		if bits.OnesCount8(x)%2 == 0 {
			b.even++
		} else {
			b.odd++
		}
	}
}

// status is the Nonsense that the bytes show; lastGoodNs is the arrival of the
// last good frame.
func (b *byteStats) status(lastGoodNs int64) Status {
	status := Status{Condition: Nonsense, Cause: b.cause(), SinceNs: lastGoodNs, Bytes: b.bytes, Damaged: b.damaged}
	if b.damaged > 0 {
		status.SinceNs = b.damagedNs
	}
	return status
}

// cause is what the bytes look like; empty when they look like nothing known.
func (b *byteStats) cause() Cause {
	switch {
	case b.high > 0 && b.even == b.bytes:
		return SevenEven
	case b.high > 0 && b.odd == b.bytes:
		return SevenOdd
	case b.nul*2 > b.bytes:
		return NULBytes
	}
	return ""
}
