package sim

import (
	"context"
	"errors"
	"sync"
	"time"
)

// How long the runner sleeps in real time: never so long that readings come in a heap after the simulated clock has been
// turned up, never so short that it spins.
const (
	longestNap  = 50 * time.Millisecond
	shortestNap = time.Millisecond
	unknownNap  = 2 * time.Millisecond // the clock stands still, or has not been seen running yet
)

// heardMost is how much unanswered input a sensor keeps; a longer babble loses its beginning.
const heardMost = 4096

// Run runs physics and instruments until ctx ends, once. It returns when all its goroutines have ended and the ports are
// closed.
func (r *Rig) Run(ctx context.Context) error {
	r.mu.Lock()
	again := r.ran
	r.ran = true
	r.mu.Unlock()
	if again {
		return errors.New("a rig runs once")
	}
	var listeners sync.WaitGroup
	for _, s := range r.order {
		listeners.Go(func() { r.listen(ctx, s) })
	}
	r.keepTime(ctx)
	err := r.closePorts() // wakes the listeners
	listeners.Wait()
	return err
}

// keepTime brings the physics up to the simulated clock, sleeps until the next instant that anything is due at, and so on.
// How long that is in real time it judges by how the clock ran during the last sleep.
func (r *Rig) keepTime(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	lastReal, lastSim := time.Now(), r.elapsed()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		now, realNow := r.elapsed(), time.Now()
		due := r.catchUp(ctx, now)
		nap := unknownNap
		if speed := float64(now-lastSim) / float64(realNow.Sub(lastReal)); speed > 0 {
			nap = min(longestNap, max(shortestNap, time.Duration(float64(due-r.elapsed())/speed)))
		}
		lastReal, lastSim = realNow, now
		timer.Reset(nap)
	}
}

// catchUp does all that is due until now, in order, and returns when the next is due. It lets go of the lock in between.
func (r *Rig) catchUp(ctx context.Context, now time.Duration) time.Duration {
	for {
		r.mu.Lock()
		due := r.nextDue()
		if due > now || ctx.Err() != nil {
			r.mu.Unlock()
			return due
		}
		r.reach(due)
		r.mu.Unlock()
	}
}

func (r *Rig) nextDue() time.Duration {
	due := time.Duration(r.ticks+1) * longestStep
	for _, s := range r.order {
		due = min(due, s.due())
	}
	return due
}

// due is the instant of the next reading, counted from the start so that rounding does not add up.
func (s *sensor) due() time.Duration {
	return time.Duration(float64(s.reads+1) / s.readsPerS * float64(time.Second))
}

// reach moves the physics to an instant and takes the readings due there. The instants depend on nothing but the sensors'
// rates, so a rig gives the same bytes at any speed.
func (r *Rig) reach(due time.Duration) {
	dt := due - r.at
	r.cart.Step(dt)
	r.at = due
	if due == time.Duration(r.ticks+1)*longestStep {
		r.ticks++
	}
	for _, s := range r.order {
		s.instrument.Advance(r.cart, dt)
		if s.due() == due {
			s.reads++
			s.sample = s.instrument.Read()
			s.emit(s.wire.Stream(s.sample))
		}
	}
}

// listen answers what a reader sends.
func (r *Rig) listen(ctx context.Context, s *sensor) {
	buf := make([]byte, 512)
	for ctx.Err() == nil {
		if n := s.port.receive(buf); n > 0 {
			r.mu.Lock()
			s.hear(s.line.offWire(buf[:n]))
			r.mu.Unlock()
		}
	}
}

func (s *sensor) hear(b []byte) {
	s.heard = append(s.heard, b...)
	for len(s.heard) > 0 {
		reply, used := s.wire.Answer(s.heard, s.sample)
		if used == 0 {
			break
		}
		s.heard = s.heard[used:]
		if reply != nil {
			s.emit(reply)
		}
	}
	if over := len(s.heard) - heardMost; over > 0 {
		s.heard = s.heard[over:]
	}
}

func (s *sensor) emit(frame []byte) { s.port.send(s.line.onWire(s.faults.Pass(frame))) }
