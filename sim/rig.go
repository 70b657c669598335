package sim

import (
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// Sensor is one instrument on the cart: a scale or a probe, its protocol and its line settings.
type Sensor struct {
	Name  string // also the file name of its port
	Scale *ScaleParams
	Probe *ProbeParams
	Wire  Wire // used by this sensor only
	Line  LineSettings
}

// RigOptions say what to build.
type RigOptions struct {
	Cart    Params
	Sensors []Sensor
	Dir     string               // folder for the symlinks of the ports, created if missing; empty: ports in memory
	Elapsed func() time.Duration // simulated time since the start; never runs back, may run faster than real time. Nil: real time since NewRig
	Log     *slog.Logger         // nil: no log
}

// Rig is a cart with its instruments on their ports. Its methods may be called from any goroutine, but not from within Do.
type Rig struct {
	elapsed func() time.Duration
	log     *slog.Logger
	sensors map[string]*sensor
	order   []*sensor // as given

	mu    sync.Mutex // guards all below, and the instruments and wires of the sensors
	cart  *Cart
	at    time.Duration // time that the physics have reached
	ticks int64         // steps of the physics so far
	ran   bool

	end time.Duration // that Advance has reached
}

// instrument is a scale or a probe.
type instrument interface {
	Advance(c *Cart, dt time.Duration)
	Read() Sample
}

type sensor struct {
	name       string
	instrument instrument
	wire       Wire
	line       LineSettings
	faults     *Faults
	port       port
	readsPerS  float64
	reads      int64 // readings so far
	answers    int   // to requests so far
	sample     Sample
	heard      []byte // received, not yet answered
}

// NewRig opens the ports and takes each instrument's first reading. Run or Serve must follow: they close them.
func NewRig(o RigOptions) (*Rig, error) {
	r := &Rig{elapsed: o.Elapsed, log: o.Log, sensors: map[string]*sensor{}, cart: NewCart(o.Cart)}
	if r.elapsed == nil {
		start := time.Now()
		r.elapsed = func() time.Duration { return time.Since(start) }
	}
	if r.log == nil {
		r.log = slog.New(slog.DiscardHandler)
	}
	if o.Dir != "" {
		if err := os.MkdirAll(o.Dir, 0o755); err != nil {
			return nil, fmt.Errorf("create the folder of the ports: %w", err)
		}
	}
	for _, s := range o.Sensors {
		if err := r.add(s, o); err != nil {
			return nil, errors.Join(fmt.Errorf("sensor %q: %w", s.Name, err), r.closePorts())
		}
	}
	return r, nil
}

func (r *Rig) add(s Sensor, o RigOptions) error {
	s.Line = s.Line.withDefaults()
	if err := s.check(); err != nil {
		return err
	}
	if r.sensors[s.Name] != nil {
		return errors.New("the name is used twice")
	}
	name := fnv.New64a()
	name.Write([]byte(s.Name))
	seed := o.Cart.Seed ^ name.Sum64()
	n := &sensor{name: s.Name, wire: s.Wire, line: s.Line, faults: NewFaults(seed)}
	if s.Scale != nil {
		n.instrument, n.readsPerS = NewScale(*s.Scale, seed), s.Scale.ReadsPerS
	} else {
		n.instrument, n.readsPerS = NewProbe(*s.Probe, seed), s.Probe.ReadsPerS
	}
	if o.Dir == "" {
		n.port = &pipePort{}
	} else {
		p, err := openPty(filepath.Join(o.Dir, s.Name), s.Line, r.log)
		if err != nil {
			return err
		}
		n.port = p
	}
	n.instrument.Advance(r.cart, 0)
	n.sample = n.instrument.Read()
	r.sensors[s.Name] = n
	r.order = append(r.order, n)
	return nil
}

func (s Sensor) check() error {
	switch {
	case s.Name == "" || strings.HasPrefix(s.Name, ".") || strings.ContainsAny(s.Name, "/\x00"):
		return errors.New("the name must be usable as a file name and not begin with a dot")
	case (s.Scale == nil) == (s.Probe == nil):
		return errors.New("want either a scale or a probe")
	case s.Wire == nil:
		return errors.New("want a wire")
	case s.Scale != nil && !(s.Scale.ResolutionKg > 0 && s.Scale.ReadsPerS > 0 && s.Scale.OvershootShare < 1):
		return errors.New("want a scale with resolution and reads per second above 0, and overshoot below 1")
	case s.Probe != nil && !(s.Probe.ReadsPerS > 0):
		return errors.New("want a probe with reads per second above 0")
	}
	if w, ok := s.Wire.(interface{ check() error }); ok {
		if err := w.check(); err != nil {
			return err
		}
	}
	return s.Line.check()
}

func (r *Rig) closePorts() error {
	var errs []error
	for _, s := range r.order {
		errs = append(errs, s.port.close())
	}
	return errors.Join(errs...)
}

// Do calls f with the cart. f must not call the rig.
func (r *Rig) Do(f func(c *Cart)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f(r.cart)
}

// Truth is the true state, at most 50 ms of simulated time old.
func (r *Rig) Truth() Truth {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.cart.Truth()
}

// Port is the path of a sensor's symlink; "" for ports in memory and unknown names.
func (r *Rig) Port(name string) string {
	if s := r.sensors[name]; s != nil {
		if p, ok := s.port.(*ptyPort); ok {
			return p.link
		}
	}
	return ""
}

// Host opens a sensor's port in memory, or returns the one that is already open. It returns nil while the sensor is unplugged,
// after Run, and for pseudo-terminals and unknown names.
func (r *Rig) Host(name string) io.ReadWriteCloser {
	if s := r.sensors[name]; s != nil {
		if p, ok := s.port.(*pipePort); ok {
			if end := p.open(); end != nil {
				return end
			}
		}
	}
	return nil
}

// Unplug removes a sensor's port: its symlink disappears and the reader's end fails.
func (r *Rig) Unplug(name string) error {
	s := r.sensors[name]
	if s == nil {
		return fmt.Errorf("no sensor %q", name)
	}
	return s.port.unplug()
}

// Replug brings a sensor's port back under the same name.
func (r *Rig) Replug(name string) error {
	s := r.sensors[name]
	if s == nil {
		return fmt.Errorf("no sensor %q", name)
	}
	return s.port.replug()
}

// Faults returns the faults of a sensor's line; nil for unknown names.
func (r *Rig) Faults(name string) *Faults {
	s := r.sensors[name]
	if s == nil {
		return nil
	}
	return s.faults
}

// Answers is how many requests a sensor has answered.
func (r *Rig) Answers(name string) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.sensors[name].answers
}

// Taken waits until the reader of a sensor's port in memory has read everything and waits for more, or has closed the port.
func (r *Rig) Taken(name string) {
	if p, ok := r.sensors[name].port.(*pipePort); ok {
		if d := p.end(); d != nil {
			d.out.awaitReader(d.closed.ch)
		}
	}
}

// Wind changes the slow wind on all scales: twice its standard deviation, in kg.
func (r *Rig) Wind(kg float64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.order {
		if scale, is := s.instrument.(*Scale); is {
			scale.place.setWind(kg)
		}
	}
}

// Sensors are the names of the sensors, as given.
func (r *Rig) Sensors() (names []string) {
	for _, s := range r.order {
		names = append(names, s.name)
	}
	return names
}
