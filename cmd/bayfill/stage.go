package main

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"time"

	"bayfill/bridge"
	"bayfill/bridge/cart"
	"bayfill/bridge/clock"
	"bayfill/sim"
)

// stage is a simulated cart and its bridge on one clock, which stands still until all that
// the instruments have sent has been handled and shown. So a demo has the same figures on
// every computer, however busy it is.
type stage struct {
	rig     *sim.Rig
	clock   *clock.Clock
	opened  chan string // gets the name of each port that the bridge opens
	cart    *cart.Cart
	asked   int // how many requests had been answered when the bridge began
	station *station
	pace    pace
}

// pace says how fast time passes for who looks on.
type pace struct {
	speed float64 // simulated time by real time; 0: as fast as the computer can
	real  time.Time
	since time.Duration // by the simulated clock
}

// newStage returns a stage whose clock starts at a time.
func newStage(at time.Time, seed uint64) (*stage, error) {
	s := &stage{clock: clock.NewDriven(at.UnixNano()), opened: make(chan string, len(instruments(shopFloor{})))}
	var err error
	s.rig, err = workshop("", seed, s.clock.Elapsed, shopFloor{})
	return s, err
}

// open is how the bridge opens a port.
func (s *stage) open(_, sensor string) (io.ReadWriteCloser, error) {
	port := s.rig.Host(sensor)
	if port == nil {
		return nil, fmt.Errorf("sensor %s: %w", sensor, fs.ErrNotExist)
	}
	s.opened <- sensor
	return port, nil
}

// begin waits until every instrument has a reader, and the one that sends on request was
// asked.
func (s *stage) begin(ctx context.Context, b *bridge.Bridge) error {
	s.cart = b.Cart(demoCart)
	for range cap(s.opened) {
		select {
		case sensor := <-s.opened:
			s.rig.Taken(sensor)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	for s.rig.Answers("supply-scale") == s.asked {
		select {
		case <-time.After(time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	s.asked = s.rig.Answers("supply-scale")
	s.handled(ctx, "supply-scale")
	return ctx.Err()
}

// handled returns when the cart has handled all that a sensor has sent.
func (s *stage) handled(ctx context.Context, sensor string) {
	s.rig.Taken(sensor)
	s.cart.Settle(ctx)
}

// step lets time pass.
func (s *stage) step(ctx context.Context, d time.Duration) error {
	s.rig.Advance(ctx, d, s.clock.Advance, func(sensor string) { s.handled(ctx, sensor) })
	return s.pace.wait(ctx, s.clock.Elapsed())
}

// shown returns when the station shows what the cart has published last.
func (s *stage) shown(ctx context.Context) error { return s.station.catchUp(ctx, s.cart.Leaves) }

// set changes the speed from now on.
func (p *pace) set(speed float64, now time.Duration) {
	*p = pace{speed: speed, real: time.Now(), since: now}
}

// wait waits until it is time for a moment.
func (p *pace) wait(ctx context.Context, now time.Duration) error {
	if p.speed == 0 {
		return ctx.Err()
	}
	select {
	case <-time.After(time.Until(p.real.Add(time.Duration(float64(now-p.since) / p.speed)))):
		return ctx.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}
