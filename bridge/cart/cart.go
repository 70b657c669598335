package cart

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// cart is one instrumented cart: the goroutine in run owns its state, and
// everything that happens to the cart comes to it in one order.
type Cart struct {
	config      *config.Cart
	fluids      map[string]fillcalc.Fluid
	identities  names.Hider
	verifier    verifier
	serviceData string // folder; empty when none is configured
	clock       *clock.Clock
	clockSet    func() bool // nil: it is
	journal     *journal.Journal
	path        string        // of the journal
	forward     chan struct{} // tells the forwarder that there is more; nil without a history
	link        *link
	drivers     []*sensors.Sensor
	log         *slog.Logger
	keep        time.Duration // how long the journal keeps what it no longer needs
	most        int64         // bytes that the journal may take
	meter       *meter

	running  chan struct{} // closed when the loop begins to turn
	begun    time.Time     // when the cart was made
	turnedNs atomic.Int64  // when it last did, since then

	// inbox is the one queue of everything but commands. A full inbox holds the
	// sensors up, and the kernel keeps their bytes: readings are never dropped.
	inbox chan happening
	// commands is short: what does not fit is answered "busy".
	commands chan incoming
	// written tells how the last batch of readings fared.
	written chan outcome

	state fillcalc.State
	// unsaved is what is not on disk yet, inFlight the front part of it that is
	// being written.
	unsaved     journal.Batch
	inFlight    *journal.Batch
	mostUnsaved int           // events, before the oldest are forgotten
	gap         gap           // those that were
	saved       time.Time     // when a batch was last begun
	retry       time.Duration // how long after that one that failed is tried again
	chain       points.Chain  // over what is on disk
	snapshotSeq uint64
	prunedNs    int64 // when old events were last looked for
	tidiedNs    int64 // when the journal's size was
	untidy      bool  // there is more to delete
	filling     pace  // of what waits for the history
	lost        int64 // readings that were given up since the log told
	lostToldNs  int64

	// What went out last, and when.
	lastVolumes wire.Volumes
	lastWindow  wire.Window
	volumesAtNs int64
	windowAtNs  int64
	jobAtNs     int64
	jobDue      bool   // something of it has changed
	lastFlow    []byte // of the job
	flowAtNs    int64  // when it was last looked at, which costs something

	alerts     map[string]wire.Alert
	still      [2]stillness // of the scales, as in the state
	unreplayed string       // what the replay at the start could not know; usually empty
	// calibrations are the newest of each sensor at the start; troubles says which
	// could not be read.
	calibrations  map[string]*config.Calibration
	troubles      map[string]string
	calibrationNs int64                   // when their age was last looked at
	frames        map[string]frameTrouble // of the sensors that had any
}

// frameTrouble is what was last wrong with a sensor's frames.
type frameTrouble struct {
	faults fillcalc.Faults
	atNs   int64
}

// happening is a reading, a status or a note from one of the cart's workers.
type happening struct {
	event  *fillcalc.Event
	err    error // why the event's frame was faulty
	sensor string
	status *sensors.Status
	alert  wire.Alert
}

const (
	// idleAfter is when a pause of the readings is noticed; with saveEvery it stays
	// below the second.
	idleAfter = 250 * time.Millisecond
	// framesGoodFor is how long a sensor's frames must be good before the alert
	// about them ends: sporadic damage is one trouble, not many.
	framesGoodFor = 10 * time.Second
	// clockOff is by how much the computer's clock may differ before that is said.
	clockOff = time.Minute
)

// begin replays the journal and notes the start, with the setup, as the first
// event of this run.
func (c *Cart) begin(ctx context.Context, wallNs int64, speed float64) error {
	state, unreplayed, err := c.journal.Replay(ctx)
	if err != nil {
		return err
	}
	c.unreplayed = unreplayed
	c.state = state
	if c.chain, err = c.journal.Chain(); err != nil {
		return err
	}
	// Time never runs backwards within a journal, whatever the wall clock says.
	c.clock = clock.New(max(wallNs, state.NowNs+int64(time.Millisecond)), speed)
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(),
		Input: &fillcalc.Input{Do: fillcalc.DoStart, Setup: c.config.Setup(c.calibrations)}})
	if err := fillcalc.Check(&c.state, e.Input); err != nil {
		return err
	}
	next := fillcalc.Apply(c.state, e)
	// With a snapshot: what was replayed just now need not be replayed again, and
	// may be forgotten one day.
	batch := journal.Batch{Events: []fillcalc.Event{e}, Snapshot: &next}
	c.showAll(&next, &batch)
	batch.LinkChain(c.chain)
	if err := c.journal.Append(ctx, batch); err != nil {
		return err
	}
	c.state, c.snapshotSeq, c.chain, c.prunedNs = next, next.Seq, batch.Chain, next.NowNs
	c.meter.kept(batch.Events)
	return nil
}

// stamp gives an event its place and a time later than all before it.
func (c *Cart) stamp(e fillcalc.Event) fillcalc.Event {
	e.Seq = c.state.Seq + 1
	e.AtNs = max(e.AtNs, c.state.NowNs+1)
	return e
}

// run is the cart's life. It returns when ctx has ended and everything it
// started has ended, with all readings on disk.
func (c *Cart) Run(ctx context.Context) error {
	var workers sync.WaitGroup
	for _, d := range c.drivers {
		workers.Go(func() { c.runSensor(ctx, d) })
	}
	c.link.set(wire.AboutLeaf, wire.Encode(c.about()))
	c.link.set(wire.AlertsLeaf, wire.Encode(c.alertsMessage()))
	c.sendAll()

	// Saving rides on the readings; the timer fires only when they pause. A process
	// that wakes seldom costs a small computer little.
	pause := min(idleAfter, c.clock.RealTime(time.Second))
	idle := time.NewTimer(pause)
	defer idle.Stop()
	c.turn()
	close(c.running)
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case h := <-c.inbox:
			c.happened(h)
		case m := <-c.commands:
			c.command(ctx, m)
		case o := <-c.written:
			c.wrote(o)
		case <-idle.C:
			c.tick()
		}
		idle.Reset(pause)
		if c.saveDue() {
			c.watchClock()
			c.watchCalibrations()
			c.save(ctx)
		}
		c.turn()
	}
	return c.end(&workers)
}

// end saves what is still in memory. Workers may be waiting to hand something
// over, so the inbox is emptied until they have ended.
func (c *Cart) end(workers *sync.WaitGroup) error {
	ended := make(chan struct{})
	go func() { workers.Wait(); close(ended) }()
	for waiting := true; waiting; {
		select {
		case h := <-c.inbox:
			c.happened(h)
		case <-ended:
			waiting = false
		}
	}
	for len(c.inbox) > 0 {
		c.happened(<-c.inbox)
	}
	c.settle()
	// However long a slow card takes: given up, these readings were lost.
	for len(c.unsaved.Events) > 0 {
		batch := c.nextBatch()
		if err := c.journal.Append(context.Background(), batch); err != nil {
			return err
		}
		c.onDisk(batch)
	}
	return nil
}

func (c *Cart) runSensor(ctx context.Context, d *sensors.Sensor) {
	give := func(h happening) {
		select {
		case c.inbox <- h:
		case <-ctx.Done():
			// The cart still empties the inbox while its sensors end.
			select {
			case c.inbox <- h:
			case <-time.After(100 * time.Millisecond):
			}
		}
	}
	d.Run(ctx,
		func(r sensors.Reading, err error) {
			e := eventOf(d.Name, r)
			give(happening{event: &e, err: err, sensor: d.Name})
		},
		func(s sensors.Status) { give(happening{sensor: d.Name, status: &s}) })
}

func (c *Cart) happened(h happening) {
	switch {
	case h.event != nil:
		c.take(*h.event)
		c.frameFaults(h)
		c.meter.read(h.event, h.err, c.clock.NowNs())
	case h.status != nil:
		text := h.status.Text(sensors.TimeOfDay)
		c.log.Info("sensor", "sensor", h.sensor, "condition", h.status.Condition, "text", text)
		c.meter.sensor(h.sensor, h.status.Condition)
		switch h.status.Condition {
		case sensors.Good, sensors.Starting:
			c.alert(wire.Alert{Code: wire.AlertSensor, Sensor: h.sensor})
		default:
			c.alert(wire.Alert{Code: wire.AlertSensor, Sensor: h.sensor, Condition: string(h.status.Condition), Text: "sensor " + h.sensor + ": " + text})
		}
	default:
		c.alert(h.alert)
	}
}

// frameFaults raises an alert for a sensor's faulty frames, with the text of the
// first frame of each kind of fault, and ends it when the frames have been good
// for framesGoodFor.
func (c *Cart) frameFaults(h happening) {
	alert := wire.Alert{Code: wire.AlertFrames, Sensor: h.sensor}
	last, troubled := c.frames[h.sensor]
	if h.err == nil && h.event.Faults&fillcalc.FaultUnit == 0 {
		if troubled && c.state.NowNs-last.atNs >= int64(framesGoodFor) {
			delete(c.frames, h.sensor)
			c.alert(alert)
		}
		return
	}
	c.frames[h.sensor] = frameTrouble{h.event.Faults, c.state.NowNs}
	switch {
	case troubled && last.faults == h.event.Faults:
	case h.err != nil:
		alert.Text = fmt.Sprintf("sensor %s: %v", h.sensor, h.err)
		c.alert(alert)
	default:
		alert.Text = fmt.Sprintf("sensor %s: its frames carry another unit than the configuration: they are converted by their own, correct the configuration", h.sensor)
		c.alert(alert)
	}
}

// take applies a reading or tick at once; it is on disk a little later.
func (c *Cart) take(e fillcalc.Event) {
	e = c.stamp(e)
	c.state = fillcalc.Apply(c.state, e)
	c.unsaved.Events = append(c.unsaved.Events, e)
	if len(c.unsaved.Events) > c.mostUnsaved {
		c.forget()
	}
	if e.Kind != fillcalc.KindInput {
		c.link.sendReading(wire.Encode(wire.ReadingOf(e)))
	}
	c.watchFrozen(e)
	c.publish()
}

// tick lets the fold notice silence: time that passes without a reading.
func (c *Cart) tick() {
	if now := c.clock.NowNs(); now-c.state.NowNs >= int64(time.Second) {
		c.take(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: now, Input: &fillcalc.Input{Do: fillcalc.DoTick}})
	}
}

// watchClock tells when event time and the computer's clock have come apart: the
// one never runs back, the other may be wrong at a start or be set later.
func (c *Cart) watchClock() {
	if c.clock.Speed() != 1 {
		return
	}
	ahead, text := c.clock.Ahead().Round(time.Second), ""
	by := ahead.Abs().Round(time.Minute).String()
	if days := ahead.Abs().Hours() / 24; days > 2 {
		by = fmt.Sprintf("%.0f days", days)
	}
	switch {
	case ahead > clockOff:
		text = "this cart's time is " + by + " ahead of the computer's clock: either that is slow now, or it was fast when the journal was begun, whose times never run back"
	case ahead < -clockOff:
		text = "the computer's clock is " + by + " ahead of this cart's time: it was set while the program ran, start it again to take up the new time"
	}
	c.alert(wire.Alert{Code: wire.AlertClock, Text: text, Figures: map[string]wire.Number{"ahead_s": wire.Number(ahead.Seconds())}})
	if c.clockSet == nil {
		return
	}
	note := fillcalc.Clock{AheadNs: int64(ahead), Unset: !c.clockSet()}
	if text = ""; note.Unset {
		text = "this computer's clock has not been set from the network since it was switched on: the times of messages and history may be wrong until it is"
	}
	c.alert(wire.Alert{Code: wire.AlertClockUnset, Text: text})
	last := fillcalc.Clock{}
	if c.state.Clock != nil {
		last = *c.state.Clock
	}
	if note.Unset != last.Unset || time.Duration(note.AheadNs-last.AheadNs).Abs() > time.Second {
		c.take(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(), Input: &fillcalc.Input{Do: fillcalc.DoClock, Clock: &note}})
	}
}

// watchJob says what the fold finds wrong.
func (c *Cart) watchJob() {
	const prefix = "job:"
	now := map[string]bool{}
	for _, a := range c.state.Alerts() {
		kind := prefix + a.Kind()
		now[kind] = true
		figures := map[string]wire.Number{}
		for name, v := range a.Figures {
			figures[name] = wire.Number(v)
		}
		c.alert(wire.Alert{Kind: kind, Code: wire.AlertCode(a.Code), Sensor: a.Sensor, Text: a.Text, Figures: figures})
	}
	for kind := range c.alerts {
		if strings.HasPrefix(kind, prefix) && !now[kind] {
			c.alert(wire.Alert{Kind: kind})
		}
	}
}

// watchCalibrations tells, once an hour, which sensors want calibrating.
func (c *Cart) watchCalibrations() {
	if c.state.NowNs-c.calibrationNs < int64(time.Hour) {
		return
	}
	c.calibrationNs = c.state.NowNs
	for i := range c.config.Sensors {
		name := c.config.Sensors[i].Name
		text := c.troubles[name]
		if text == "" {
			text = config.CalibrationAlert(c.config.Name, name, c.calibrations[name], c.state.NowNs)
		}
		c.alert(wire.Alert{Code: wire.AlertCalibration, Sensor: name, Text: text})
	}
}
