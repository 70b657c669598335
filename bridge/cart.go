package bridge

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"bayfill/fillcalc"
	"bayfill/sensors"
)

// cart is one instrumented cart: the goroutine in run owns its state, and
// everything that happens to the cart comes to it in one order.
type cart struct {
	config  *CartConfig
	fluids  map[string]fillcalc.Fluid
	clock   *Clock
	journal *Journal
	forward chan struct{} // tells the forwarder that there is more; nil without a history
	link    *link
	drivers []*sensors.Sensor
	log     *slog.Logger
	keep    time.Duration // how long the journal keeps what it no longer needs

	// inbox is the one queue of everything but commands. A full inbox holds the
	// sensors up, and the kernel keeps their bytes: readings are never dropped.
	inbox chan happening
	// commands is short: what does not fit is answered "busy".
	commands chan incoming
	// written tells how the last batch of readings fared.
	written chan error

	state       fillcalc.State
	unsaved     Batch // not handed to the disk yet
	inFlight    *Batch
	saved       time.Time // when a batch was last begun
	snapshotSeq uint64
	pruned      time.Time

	// What went out last, and when.
	lastVolumes VolumesMessage
	lastWindow  WindowMessage
	volumesAtNs int64
	windowAtNs  int64
	jobAtNs     int64

	alerts map[string]Alert
}

// happening is a reading, a status or a note from one of the cart's workers.
type happening struct {
	event  *fillcalc.Event
	err    error // why the event's frame was faulty
	sensor string
	status *sensors.Status
	alert  string // kind
	text   string // of the alert; empty: it is over
}

const (
	// Pace of the leaves volumes and window, and of the bulkier job. Events may lie
	// a second and a half apart: eight seconds keep the contract's ten.
	fastestNs    = 200e6
	slowestNs    = 8e9
	fastestJobNs = 1e9
	// saveEvery bounds what a power cut can cost: readings of less than a second.
	saveEvery = 700 * time.Millisecond
	// idleAfter is when a pause of the readings is noticed; with saveEvery it stays
	// below the second.
	idleAfter = 250 * time.Millisecond
	// snapshotEvery bounds how much is replayed at a start: about half an hour of
	// readings.
	snapshotEvery = 20000
)

// begin replays the journal and notes the start, with the setup, as the first
// event of this run.
func (c *cart) begin(ctx context.Context, wallNs int64, speed float64) error {
	state, err := c.journal.Replay(ctx)
	if err != nil {
		return err
	}
	c.state = state
	// Time never runs backwards within a journal, whatever the wall clock says.
	c.clock = NewClock(max(wallNs, state.NowNs+int64(time.Millisecond)), speed)
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(),
		Input: &fillcalc.Input{Do: fillcalc.DoStart, Setup: c.config.setup()}})
	if err := fillcalc.Check(&c.state, e.Input); err != nil {
		return err
	}
	next := fillcalc.Apply(c.state, e)
	// With a snapshot: what was replayed just now need not be replayed again, and
	// may be forgotten one day.
	batch := Batch{Events: []fillcalc.Event{e}, Snapshot: &next}
	c.showAll(&next, &batch)
	if err := c.journal.Append(ctx, batch); err != nil {
		return err
	}
	c.state, c.snapshotSeq = next, next.Seq
	return nil
}

// showAll renders volumes and window now, whatever their pace, and notes them
// beside the event that led to the state.
func (c *cart) showAll(s *fillcalc.State, b *Batch) {
	c.lastVolumes, c.volumesAtNs = volumesMessage(s), s.NowNs
	c.lastWindow, c.windowAtNs = windowMessage(s), s.NowNs
	b.note(c.lastVolumes.published())
	b.note(c.lastWindow.published(s.Seq))
}

// sendAll hands the newest of every leaf to the link.
func (c *cart) sendAll() {
	c.jobAtNs = c.state.NowNs
	c.link.set(JobLeaf, encode(jobMessage(&c.state)))
	c.link.set(VolumesLeaf, encode(c.lastVolumes))
	c.link.set(WindowLeaf, encode(c.lastWindow))
}

// stamp gives an event its place and a time later than all before it.
func (c *cart) stamp(e fillcalc.Event) fillcalc.Event {
	e.Seq = c.state.Seq + 1
	e.AtNs = max(e.AtNs, c.state.NowNs+1)
	return e
}

// run is the cart's life. It returns when ctx has ended and everything it
// started has ended, with all readings on disk.
func (c *cart) run(ctx context.Context) error {
	var workers sync.WaitGroup
	for _, d := range c.drivers {
		workers.Go(func() { c.runSensor(ctx, d) })
	}
	c.link.set(AboutLeaf, encode(c.about()))
	c.link.set(AlertsLeaf, encode(c.alertsMessage()))
	c.sendAll()

	// Saving rides on the readings; the timer fires only when they pause. A process
	// that wakes seldom costs a small computer little.
	pause := min(idleAfter, c.clock.Life(time.Second))
	idle := time.NewTimer(pause)
	defer idle.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case h := <-c.inbox:
			c.happened(h)
		case m := <-c.commands:
			c.command(ctx, m)
		case err := <-c.written:
			c.wrote(err)
		case <-idle.C:
			c.tick()
		}
		idle.Reset(pause)
		if time.Since(c.saved) >= saveEvery {
			c.save(ctx)
		}
	}
	return c.end(&workers)
}

// end saves what is still in memory. Workers may be waiting to hand something
// over, so the inbox is emptied until they have ended.
func (c *cart) end(workers *sync.WaitGroup) error {
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
	return c.journal.Append(context.Background(), c.unsaved)
}

func (c *cart) runSensor(ctx context.Context, d *sensors.Sensor) {
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

func (c *cart) happened(h happening) {
	switch {
	case h.event != nil:
		c.take(*h.event)
		c.frameFaults(h)
	case h.status != nil:
		text := ""
		if h.status.Condition != sensors.Good && h.status.Condition != sensors.Starting {
			text = "sensor " + h.sensor + ": " + h.status.Text
		}
		c.log.Info("sensor", "sensor", h.sensor, "condition", h.status.Condition, "text", h.status.Text)
		c.alert("sensor:"+h.sensor, text)
	default:
		c.alert(h.alert, h.text)
	}
}

// frameFaults tells what a sensor's frames say is wrong; a good frame ends it.
func (c *cart) frameFaults(h happening) {
	kind := "frames:" + h.sensor
	switch {
	case h.err != nil:
		c.alert(kind, fmt.Sprintf("sensor %s: %v", h.sensor, h.err))
	case h.event.Faults&fillcalc.FaultUnit != 0:
		c.alert(kind, fmt.Sprintf("sensor %s: its frames carry another unit than the configuration: they are converted by their own, correct the configuration", h.sensor))
	default:
		c.alert(kind, "")
	}
}

// take applies a reading or tick at once; it is on disk a little later.
func (c *cart) take(e fillcalc.Event) {
	e = c.stamp(e)
	c.state = fillcalc.Apply(c.state, e)
	c.unsaved.Events = append(c.unsaved.Events, e)
	if e.Kind != fillcalc.KindInput {
		c.link.sendReading(encode(readingMessage(e)))
	}
	c.publish()
}

// tick lets the fold notice silence: time that passes without a reading.
func (c *cart) tick() {
	if now := c.clock.NowNs(); now-c.state.NowNs >= int64(time.Second) {
		c.take(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: now, Input: &fillcalc.Input{Do: fillcalc.DoTick}})
	}
}

// publish renders the leaves that have changed, at their pace. What goes out is
// noted in the same batch as the event that caused it.
func (c *cart) publish() {
	s := &c.state
	if due := s.NowNs - c.volumesAtNs; due >= fastestNs {
		m := volumesMessage(s)
		if due >= slowestNs || !m.sameFill(&c.lastVolumes) {
			c.lastVolumes, c.volumesAtNs = m, s.NowNs
			c.link.set(VolumesLeaf, encode(m))
			c.unsaved.note(m.published())
			if s.NowNs-c.jobAtNs >= fastestJobNs {
				c.jobAtNs = s.NowNs
				c.link.set(JobLeaf, encode(jobMessage(s)))
			}
		}
	}
	if due := s.NowNs - c.windowAtNs; due >= fastestNs {
		m := windowMessage(s)
		if due >= slowestNs || !m.sameTemperature(&c.lastWindow) {
			c.lastWindow, c.windowAtNs = m, s.NowNs
			c.link.set(WindowLeaf, encode(m))
			c.unsaved.note(m.published(s.Seq))
		}
	}
}

// note keeps the newest of what was published after one event.
func (b *Batch) note(p Published) {
	if n := len(b.Published); n > 0 {
		for i := n - 1; i >= 0 && b.Published[i].Seq == p.Seq; i-- {
			if b.Published[i].Measurement == p.Measurement {
				b.Published[i] = p
				return
			}
		}
	}
	b.Published = append(b.Published, p)
}

// save hands what has come together to the disk, off this goroutine: a slow
// card must not hold up live values. One batch is under way at a time.
func (c *cart) save(ctx context.Context) {
	if c.inFlight != nil || len(c.unsaved.Events) == 0 {
		return
	}
	c.saved = time.Now()
	if c.state.Seq-c.snapshotSeq >= snapshotEvery {
		snapshot := c.state
		c.unsaved.Snapshot = &snapshot
	}
	batch := c.unsaved
	c.inFlight, c.unsaved = &batch, Batch{}
	prune := time.Since(c.pruned) > time.Hour
	if prune {
		c.pruned = time.Now()
	}
	keepFrom := time.Unix(0, c.state.NowNs).Add(-c.keep)
	seq := c.snapshotSeq
	go func() {
		// Not ctx: a batch that is begun is finished.
		err := c.journal.Append(context.WithoutCancel(ctx), batch)
		if err == nil && prune {
			// The batch is kept whatever comes of this: a failure here must not send it
			// again. The next hour tries again.
			if err := c.journal.Prune(context.WithoutCancel(ctx), keepFrom, seq, c.forward != nil); err != nil {
				c.log.Warn("old events stay in the journal", "error", err)
			}
		}
		c.written <- err
	}()
}

// wrote takes note of how a batch fared. One that failed is tried again,
// together with what has come since: measuring goes on.
func (c *cart) wrote(err error) {
	batch := c.inFlight
	c.inFlight = nil
	if err != nil {
		c.alert("journal", "readings cannot be kept: "+err.Error()+": free disk space or replace the card; measuring goes on")
		c.unsaved.Events = slices.Concat(batch.Events, c.unsaved.Events)
		c.unsaved.Published = slices.Concat(batch.Published, c.unsaved.Published)
		return
	}
	c.alert("journal", "")
	c.kept()
	if batch.Snapshot != nil {
		c.snapshotSeq = batch.Snapshot.Seq
	}
}

// kept tells the forwarder that the journal has grown.
func (c *cart) kept() {
	select {
	case c.forward <- struct{}{}:
	default: // it has been told, or there is none
	}
}

// settle waits for the batch under way.
func (c *cart) settle() {
	if c.inFlight != nil {
		c.wrote(<-c.written)
	}
}

// command answers one command. It is on disk before it is done, and done before
// it is answered.
func (c *cart) command(ctx context.Context, m incoming) {
	id, reply := c.do(ctx, m)
	if reply == nil {
		return // answered already
	}
	if !reply.OK {
		c.log.Warn("command refused", "id", id, "error", reply.Error)
	}
	c.link.reply(id, *reply)
}

func (c *cart) do(ctx context.Context, m incoming) (id string, reply *Reply) {
	id, _ = commandID(m.payload)
	refuse := func(err error) (string, *Reply) { return id, &Reply{Error: err.Error()} }
	cmd, err := parseCommand(m.payload)
	if err != nil {
		return refuse(err)
	}
	before, done, err := c.journal.Answered(id)
	if err != nil {
		return refuse(err)
	}
	if done {
		c.link.replyRaw(id, before)
		return id, nil
	}
	if m.retained {
		return refuse(errors.New("retained: a command that the broker kept is old, send it without retain"))
	}
	now := c.clock.NowNs()
	if cmd.NotAfter != nil && time.Unix(0, now).After(cmd.notAfter) {
		return refuse(fmt.Errorf("not_after: it is %s, this command came too late", timestamp(now)))
	}
	if cmd.Do == "republish" {
		c.link.again()
		return id, &Reply{OK: true, Job: c.state.Job.Spec.ID}
	}
	in, err := cmd.input(c.fluids, now)
	if err != nil {
		return refuse(err)
	}
	if err := fillcalc.Check(&c.state, in); err != nil {
		return refuse(err)
	}
	if err := c.keepAndDo(ctx, in, now); err != nil {
		return refuse(err)
	}
	return id, &Reply{OK: true, Job: c.state.Job.Spec.ID}
}

// keepAndDo puts a command on disk, with everything that came before it and
// its answer, and then lets it take effect. When the disk refuses, nothing has
// happened.
func (c *cart) keepAndDo(ctx context.Context, in *fillcalc.Input, nowNs int64) error {
	c.settle()
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: nowNs, Input: in})
	next := fillcalc.Apply(c.state, e)
	batch := c.unsaved
	batch.Events = append(slices.Clip(batch.Events), e)
	batch.Published = slices.Clip(batch.Published)
	id := in.ID
	batch.Answers = []Answer{{ID: id, AtNs: e.AtNs, Reply: encode(Reply{ID: &id, OK: true, Job: next.Job.Spec.ID})}}
	c.showAll(&next, &batch)
	ended := c.state.Job.Phase.Open() && !next.Job.Phase.Open()
	if ended {
		batch.note(summaryOf(&next))
		batch.Snapshot = &next
	}
	// Not cancelled by a stop: a command is done whole or not at all.
	if err := c.journal.Append(context.WithoutCancel(ctx), batch); err != nil {
		c.alert("journal", "commands are refused: "+err.Error())
		return fmt.Errorf("the command could not be kept and was not done: %w", err)
	}
	c.alert("journal", "")
	c.kept()
	c.unsaved = Batch{}
	if ended {
		c.snapshotSeq = next.Seq
	}
	c.state = next
	c.sendAll()
	return nil
}

// alert raises, changes or (with an empty text) ends an alert.
func (c *cart) alert(kind, text string) {
	old, raised := c.alerts[kind]
	if text == "" && !raised || text == old.Text {
		return
	}
	if text == "" {
		delete(c.alerts, kind)
		c.log.Info("alert over", "kind", kind)
	} else {
		since := old.Since
		if !raised {
			since = timestamp(c.clock.NowNs())
			c.log.Warn("alert", "kind", kind, "text", text)
		}
		c.alerts[kind] = Alert{Kind: kind, Since: since, Text: text}
	}
	c.link.set(AlertsLeaf, encode(c.alertsMessage()))
}

func (c *cart) alertsMessage() AlertsMessage {
	m := AlertsMessage{TS: timestamp(c.clock.NowNs()), Alerts: []Alert{}}
	for _, a := range c.alerts {
		m.Alerts = append(m.Alerts, a)
	}
	slices.SortFunc(m.Alerts, func(a, b Alert) int { return strings.Compare(a.Kind, b.Kind) })
	return m
}

func (c *cart) about() About {
	a := About{Program: "bayfill", Version: Version, Contract: ContractVersion,
		Leaves: []Leaf{PresenceLeaf, AboutLeaf, VolumesLeaf, WindowLeaf, JobLeaf, AlertsLeaf, ReadingsLeaf},
		Units:  "SI; the unit stands in each field's name; litres are at reference_c"}
	for i := range c.config.Sensors {
		s := &c.config.Sensors[i]
		a.Sensors = append(a.Sensors, AboutSensor{s.Name, s.Role, s.quantity().String(), s.Protocol})
	}
	return a
}
