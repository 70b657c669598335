package sim

import (
	"context"
	"errors"
	"sync"
	"time"
)

// How long the runner sleeps in real time: at most so long that readings do not pile up when the simulated clock is set to
// run faster, and at least so long that it does not spin.
const (
	maxNap     = 50 * time.Millisecond
	minNap     = time.Millisecond
	defaultNap = 2 * time.Millisecond // while the clock stands still or its speed is not known yet
)

// maxHeardBytes limits the unanswered input that a sensor keeps; longer input loses its beginning.
const maxHeardBytes = 4096

// Run runs physics and instruments until ctx ends. It may be called once; it returns when all its goroutines have ended and
// the ports are closed.
func (r *Rig) Run(ctx context.Context) error { return r.run(ctx, r.keepTime) }

// Serve is Run for a rig whose time only [Rig.Advance] moves.
func (r *Rig) Serve(ctx context.Context) error {
	return r.run(ctx, func(ctx context.Context) { <-ctx.Done() })
}

// run answers requests while keepTime runs, and closes the ports.
func (r *Rig) run(ctx context.Context, keepTime func(context.Context)) error {
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
	keepTime(ctx)
	err := r.closePorts() // wakes the listeners
	listeners.Wait()
	return err
}

// keepTime repeatedly brings the physics up to the simulated clock and sleeps until something is due. It estimates the real
// time to sleep from the speed of the clock during the last sleep.
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
		nap := defaultNap
		if speed := float64(now-lastSim) / float64(realNow.Sub(lastReal)); speed > 0 {
			nap = min(maxNap, max(minNap, time.Duration(float64(due-r.elapsed())/speed)))
		}
		lastReal, lastSim = realNow, now
		timer.Reset(nap)
	}
}

// catchUp does everything that is due until now, in order, and returns when the next thing is due. It unlocks in between.
func (r *Rig) catchUp(ctx context.Context, now time.Duration) time.Duration {
	for {
		r.mu.Lock()
		due := r.nextDue()
		if due > now || ctx.Err() != nil {
			r.mu.Unlock()
			return due
		}
		for _, s := range r.reach(due) {
			s.stream()
		}
		r.mu.Unlock()
	}
}

// Advance does everything that is due within d of simulated time. Before each frame it
// calls before with the time since the start, and after it after, with the name of the
// sensor, so that the caller can wait for what reads it. Only one goroutine may call it,
// and neither function may call the rig's Do.
func (r *Rig) Advance(ctx context.Context, d time.Duration, before func(at time.Duration), after func(sensor string)) {
	r.end += d
	for ctx.Err() == nil {
		r.mu.Lock()
		due := r.nextDue()
		if due > r.end {
			r.mu.Unlock()
			break
		}
		read := r.reach(due)
		r.mu.Unlock()
		before(due)
		for _, s := range read {
			r.mu.Lock()
			s.stream()
			r.mu.Unlock()
			after(s.name)
		}
	}
	before(r.end)
}

func (r *Rig) nextDue() time.Duration {
	due := time.Duration(r.ticks+1) * maxStep
	for _, s := range r.order {
		due = min(due, s.due())
	}
	return due
}

// due is the time of the next reading, computed from the start so that rounding errors do not add up.
func (s *sensor) due() time.Duration {
	return time.Duration(float64(s.reads+1) / s.readsPerS * float64(time.Second))
}

// reach moves the physics to a time, takes the readings that are due then, and returns their sensors. These times depend only on the rates of the
// sensors, so a rig gives the same bytes at any speed.
func (r *Rig) reach(due time.Duration) (read []*sensor) {
	dt := due - r.at
	r.cart.Step(dt)
	r.at = due
	if due == time.Duration(r.ticks+1)*maxStep {
		r.ticks++
	}
	for _, s := range r.order {
		s.instrument.Advance(r.cart, dt)
		if s.due() == due {
			s.reads++
			s.sample = s.instrument.Read()
			read = append(read, s)
		}
	}
	return read
}

// stream sends the newest reading if the sensor sends by itself.
func (s *sensor) stream() { s.emit(s.wire.Stream(s.sample)) }

// listen answers the requests of a reader.
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
			s.answers++
			s.emit(reply)
		}
	}
	if over := len(s.heard) - maxHeardBytes; over > 0 {
		s.heard = s.heard[over:]
	}
}

func (s *sensor) emit(frame []byte) { s.port.send(s.line.onWire(s.faults.Pass(frame))) }
