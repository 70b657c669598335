package sensors

import (
	"context"
	"errors"
	"io"
	"time"
)

// Sensor is one instrument on one port.
type Sensor struct {
	Name     string
	Quantity Quantity
	Protocol Protocol
	// Open opens the port. Its Read must return 0, nil after a short time without a
	// byte, and an error once the port is closed or gone.
	Open func() (io.ReadWriteCloser, error)
	// SevenBits clears the eighth bit of every byte: some adapters show the parity
	// bit of a seven-bit line there.
	SevenBits bool
	PollEvery time.Duration // between two requests of a polled protocol
	// SilentAfter is how long the sensor may send no good frame before it is reported
	// as Silent or Nonsense; a polled one may always miss one answer.
	SilentAfter time.Duration
	RetryEvery  time.Duration // between two attempts to open the port
	// NowNs is the clock for arrivals, in nanoseconds since 1970 UTC.
	NowNs func() int64

	count uint64 // frames so far
}

// Run reads the sensor until ctx ends. It opens the port, and opens it again when
// it comes back. reading receives each frame, good or faulty, with the error that
// made it faulty; of damaged frames it receives at most ten a second, the others
// are only counted. status is called when the condition changes. Run calls both
// from its own goroutine, so they may block; it returns when ctx has ended and the
// goroutine that writes requests has ended, unless the port is stuck for good.
func (s *Sensor) Run(ctx context.Context, reading func(Reading, error), status func(Status)) {
	report := reporter{status: status}
	report.pass(Status{Condition: Starting})
	for {
		err := s.runSession(ctx, reading, &report)
		if ctx.Err() != nil {
			return
		}
		var se *statusError
		if errors.As(err, &se) {
			report.pass(se.Status)
		} else {
			report.pass(Status{Condition: Missing, Err: err})
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

func (r *reporter) pass(s Status) {
	if s.Condition != r.last {
		r.last = s.Condition
		r.status(s)
	}
}
