package bridge

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"bayfill/fillcalc"
	"bayfill/sensors"
)

// cart is one instrumented cart: the goroutine in run owns its state, and
// everything that happens to the cart comes to it in one order.
type cart struct {
	config      *CartConfig
	fluids      map[string]fillcalc.Fluid
	identities  identities
	seal        seal
	serviceData string // folder; empty when none is configured
	clock       *Clock
	clockSet    func() bool // nil: it is
	journal     *Journal
	forward     chan struct{} // tells the forwarder that there is more; nil without a history
	link        *link
	drivers     []*sensors.Sensor
	log         *slog.Logger
	keep        time.Duration // how long the journal keeps what it no longer needs
	most        int64         // bytes that the journal may take
	meter       *meter

	running  chan struct{} // closed when the loop begins to turn
	turnedNs atomic.Int64  // when it last did, since the clock's start

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
	unsaved     Batch
	inFlight    *Batch
	mostUnsaved int           // events, before the oldest are forgotten
	gap         gap           // those that were
	saved       time.Time     // when a batch was last begun
	retry       time.Duration // how long after that one that failed is tried again
	chain       Chain         // over what is on disk
	snapshotSeq uint64
	prunedNs    int64 // when old events were last looked for
	tidiedNs    int64 // when the journal's size was
	untidy      bool  // there is more to delete
	filling     pace  // of what waits for the history
	lost        int64 // readings that were given up since the log told
	lostToldNs  int64

	// What went out last, and when.
	lastVolumes VolumesMessage
	lastWindow  WindowMessage
	volumesAtNs int64
	windowAtNs  int64
	jobAtNs     int64
	jobDue      bool   // something of it has changed
	lastFlow    []byte // of the job
	flowAtNs    int64  // when it was last looked at, which costs something

	alerts     map[string]Alert
	still      [2]stillness // of the scales, as in the state
	unreplayed string       // what the replay at the start could not know; usually empty
	// calibrations are the newest of each sensor at the start; troubles says which
	// could not be read.
	calibrations  map[string]*Calibration
	troubles      map[string]string
	calibrationNs int64                   // when their age was last looked at
	frames        map[string]frameTrouble // of the sensors that had any
}

// gap is a stretch of time whose readings will never be in the journal.
type gap struct {
	fromNs, toNs int64
	open         bool // no snapshot on disk covers it yet
}

// outcome is how a batch fared, and how the journal stands if it was looked at.
type outcome struct {
	err  error
	room *room
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

	// A disk that refuses is tried again after a second, then less and less often.
	// What has piled up goes in pieces, each of which is progress.
	firstRewrite = time.Second
	lastRewrite  = 30 * time.Second
	mostInBatch  = 2000
	// mostUnsaved is two hours of a cart that sends 40 readings a second, about
	// 60 MB with what was published.
	mostUnsaved = 300_000

	// framesGoodFor is how long a sensor's frames must be good before the alert
	// about them ends: sporadic damage is one trouble, not many.
	framesGoodFor = 10 * time.Second
	// clockOff is by how much the computer's clock may differ before that is said.
	clockOff = time.Minute
)

// begin replays the journal and notes the start, with the setup, as the first
// event of this run.
func (c *cart) begin(ctx context.Context, wallNs int64, speed float64) error {
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
	c.clock = NewClock(max(wallNs, state.NowNs+int64(time.Millisecond)), speed)
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(),
		Input: &fillcalc.Input{Do: fillcalc.DoStart, Setup: c.config.setup(c.calibrations)}})
	if err := fillcalc.Check(&c.state, e.Input); err != nil {
		return err
	}
	next := fillcalc.Apply(c.state, e)
	// With a snapshot: what was replayed just now need not be replayed again, and
	// may be forgotten one day.
	batch := Batch{Events: []fillcalc.Event{e}, Snapshot: &next}
	c.showAll(&next, &batch)
	c.chain.seal(&batch)
	if err := c.journal.Append(ctx, batch); err != nil {
		return err
	}
	c.state, c.snapshotSeq, c.chain, c.prunedNs = next, next.Seq, batch.Chain, next.NowNs
	c.meter.kept(batch.Events)
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
	c.sendJob()
	c.link.set(VolumesLeaf, encode(c.lastVolumes))
	c.link.set(WindowLeaf, encode(c.lastWindow))
}

func (c *cart) sendJob() {
	named := c.identities.current.Named(c.state)
	m := jobMessage(&named)
	c.lastFlow, c.flowAtNs = encode(m.Flow), c.state.NowNs
	c.jobAtNs, c.jobDue = c.state.NowNs, false
	c.link.set(JobLeaf, encode(m))
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
	for len(c.unsaved.Events) > 0 {
		batch := c.nextBatch()
		if err := c.journal.Append(context.Background(), batch); err != nil {
			return err
		}
		c.onDisk(batch)
	}
	return nil
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
		c.meter.read(h.event, h.err, c.clock.NowNs())
	case h.status != nil:
		text := ""
		if h.status.Condition != sensors.Good && h.status.Condition != sensors.Starting {
			text = "sensor " + h.sensor + ": " + c.timeOfDay(h.status.Text)
		}
		c.log.Info("sensor", "sensor", h.sensor, "condition", h.status.Condition, "text", h.status.Text)
		c.meter.sensor(h.sensor, h.status.Condition)
		c.alert("sensor:"+h.sensor, text)
	default:
		c.alert(h.alert, h.text)
	}
}

// age is how a sensor says for how long it has been in trouble.
var age = regexp.MustCompile(`since (\d+(?:\.\d+)?) s\b`)

// timeOfDay puts the time of day in place of an age, which would be wrong by the
// time an alert is read.
func (c *cart) timeOfDay(text string) string {
	return age.ReplaceAllStringFunc(text, func(since string) string {
		var seconds float64
		fmt.Sscanf(since, "since %f s", &seconds)
		return time.Unix(0, c.clock.NowNs()-int64(seconds*c.clock.speed*1e9)).UTC().Format("since 15:04:05 UTC")
	})
}

// frameFaults tells what a sensor's frames say is wrong, in the words for the
// first frame of a kind; frames that stay good end it.
func (c *cart) frameFaults(h happening) {
	kind := "frames:" + h.sensor
	last, troubled := c.frames[h.sensor]
	if h.err == nil && h.event.Faults&fillcalc.FaultUnit == 0 {
		if troubled && c.state.NowNs-last.atNs >= int64(framesGoodFor) {
			delete(c.frames, h.sensor)
			c.alert(kind, "")
		}
		return
	}
	c.frames[h.sensor] = frameTrouble{h.event.Faults, c.state.NowNs}
	switch {
	case troubled && last.faults == h.event.Faults:
	case h.err != nil:
		c.alert(kind, fmt.Sprintf("sensor %s: %v", h.sensor, h.err))
	default:
		c.alert(kind, fmt.Sprintf("sensor %s: its frames carry another unit than the configuration: they are converted by their own, correct the configuration", h.sensor))
	}
}

// take applies a reading or tick at once; it is on disk a little later.
func (c *cart) take(e fillcalc.Event) {
	e = c.stamp(e)
	c.state = fillcalc.Apply(c.state, e)
	c.unsaved.Events = append(c.unsaved.Events, e)
	if len(c.unsaved.Events) > c.mostUnsaved {
		c.forget()
	}
	if e.Kind != fillcalc.KindInput {
		c.link.sendReading(encode(readingMessage(e)))
	}
	c.watchFrozen(e)
	c.publish()
}

// tick lets the fold notice silence: time that passes without a reading.
func (c *cart) tick() {
	if now := c.clock.NowNs(); now-c.state.NowNs >= int64(time.Second) {
		c.take(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: now, Input: &fillcalc.Input{Do: fillcalc.DoTick}})
	}
}

// watchClock tells when event time and the computer's clock have come apart: the
// one never runs back, the other may be wrong at a start or be set later.
func (c *cart) watchClock() {
	if c.clock.speed != 1 {
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
	c.alert("clock", text)
	if c.clockSet == nil {
		return
	}
	note := fillcalc.Clock{AheadNs: int64(ahead), Unset: !c.clockSet()}
	if text = ""; note.Unset {
		text = "this computer's clock has not been set from the network since it was switched on: the times of messages and history may be wrong until it is"
	}
	c.alert("clock_unset", text)
	last := fillcalc.Clock{}
	if c.state.Clock != nil {
		last = *c.state.Clock
	}
	if note.Unset != last.Unset || time.Duration(note.AheadNs-last.AheadNs).Abs() > time.Second {
		c.take(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: c.clock.NowNs(), Input: &fillcalc.Input{Do: fillcalc.DoClock, Clock: &note}})
	}
}

// watchJob says what the fold finds wrong.
func (c *cart) watchJob() {
	const prefix = "job:"
	now := map[string]bool{}
	for _, a := range c.state.Alerts() {
		now[prefix+a.Kind] = true
		c.alert(prefix+a.Kind, a.Text)
	}
	for kind := range c.alerts {
		if strings.HasPrefix(kind, prefix) && !now[kind] {
			c.alert(kind, "")
		}
	}
}

// watchCalibrations tells, once an hour, which sensors want calibrating.
func (c *cart) watchCalibrations() {
	if c.state.NowNs-c.calibrationNs < int64(time.Hour) {
		return
	}
	c.calibrationNs = c.state.NowNs
	for i := range c.config.Sensors {
		name := c.config.Sensors[i].Name
		text := c.troubles[name]
		if text == "" {
			text = calibrationAlert(c.config.Name, name, c.calibrations[name], c.state.NowNs)
		}
		c.alert("calibration:"+name, text)
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
			c.watchJob()
			c.link.set(VolumesLeaf, encode(m))
			c.unsaved.note(m.published())
			c.jobDue = true
		}
	}
	if due := s.NowNs - c.windowAtNs; due >= fastestNs {
		m := windowMessage(s)
		if m.State == c.lastWindow.State {
			m.Since = c.lastWindow.Since
		}
		if due >= slowestNs || !m.sameWindow(&c.lastWindow, float64(due)/1e9) {
			c.jobDue = c.jobDue || !m.sameForetold(&c.lastWindow)
			c.lastWindow, c.windowAtNs = m, s.NowNs
			c.link.set(WindowLeaf, encode(m))
			c.unsaved.note(m.published(s.Seq))
		}
	}
	if s.NowNs-c.flowAtNs >= fastestJobNs {
		// What is asked next may change by time alone.
		c.flowAtNs = s.NowNs
		c.jobDue = c.jobDue || !bytes.Equal(encode(flowMessage(s)), c.lastFlow)
	}
	if c.jobDue && s.NowNs-c.jobAtNs >= fastestJobNs {
		c.sendJob()
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

// saveDue tells when the disk's turn has come: at its pace, after a pause when
// it has refused, and at once when there is more than one batch holds.
func (c *cart) saveDue() bool {
	return time.Since(c.saved) >= max(saveEvery, c.retry) || c.retry == 0 && len(c.unsaved.Events) > mostInBatch
}

// nextBatch is the front of what is not on disk. A snapshot that covers a gap
// goes with what follows the gap, or a replay would end there.
func (c *cart) nextBatch() Batch {
	batch, rest := c.unsaved.split(min(len(c.unsaved.Events), mostInBatch))
	c.chain.seal(&batch)
	if c.gap.open || len(rest.Events) == 0 && c.state.Seq-c.snapshotSeq >= snapshotEvery {
		snapshot := c.state
		batch.Snapshot = &snapshot
	}
	return batch
}

// onDisk takes note that the front of unsaved is kept.
func (c *cart) onDisk(batch Batch) {
	_, c.unsaved = c.unsaved.split(len(batch.Events))
	c.chain = batch.Chain
	if len(c.unsaved.Events) == 0 {
		c.unsaved = Batch{} // its memory may be that of hours
	}
	if batch.Snapshot != nil {
		c.snapshotSeq = batch.Snapshot.Seq
		c.gap.open = c.gap.open && c.gap.toNs > batch.Snapshot.NowNs
	}
	c.retry = 0
	c.alert("journal", "")
	c.meter.kept(batch.Events)
	c.kept()
}

// forget drops the oldest events that wait for the disk, all of them readings and
// ticks, so that a disk that refuses for hours does not fill the memory. What
// they did stays in the state, and with its snapshot comes to the disk.
func (c *cart) forget() {
	at := 0
	if c.inFlight != nil {
		at = len(c.inFlight.Events)
	}
	kept, rest := c.unsaved.split(at)
	gone, _ := rest.split(min(len(rest.Events), mostInBatch))
	if !c.gap.open {
		c.gap = gap{fromNs: gone.Events[0].AtNs, open: true}
	}
	c.gap.toNs = gone.Events[len(gone.Events)-1].AtNs
	p := len(kept.Published)
	c.unsaved.Events = slices.Delete(c.unsaved.Events, at, at+len(gone.Events))
	c.unsaved.Published = slices.Delete(c.unsaved.Published, p, p+len(gone.Published))
	c.alert("journal_gap", fmt.Sprintf("the journal has no readings from %s to %s, the disk took none for too long: the volumes are right, but cannot be computed again from readings",
		timestamp(c.gap.fromNs), timestamp(c.gap.toNs)))
}

// save hands what has come together to the disk, off this goroutine: a slow
// card must not hold up live values. One batch is under way at a time.
func (c *cart) save(ctx context.Context) {
	if c.inFlight != nil || len(c.unsaved.Events) == 0 {
		return
	}
	c.saved = time.Now()
	batch := c.nextBatch()
	c.inFlight = &batch
	nowNs, seq := c.state.NowNs, c.snapshotSeq
	prune := c.untidy || nowNs-c.prunedNs >= int64(pruneEvery)
	tidy := prune || nowNs-c.tidiedNs >= int64(tidyEvery)
	if prune {
		c.prunedNs = nowNs
	}
	if tidy {
		c.tidiedNs, c.untidy = nowNs, false
	}
	go func() {
		// Not ctx: a batch that is begun is finished.
		ctx := context.WithoutCancel(ctx)
		o := outcome{err: c.journal.Append(ctx, batch)}
		if o.err == nil && tidy {
			// The batch is kept whatever comes of this: a failure here must not send it
			// again. The next hour or minute tries again.
			r, err := c.tidy(ctx, nowNs, seq, prune)
			if err != nil {
				c.log.Warn("old events stay in the journal", "error", err)
			} else {
				o.room = &r
			}
		}
		c.written <- o
	}()
}

// wrote takes note of how a batch fared. One that failed is tried again:
// measuring goes on.
func (c *cart) wrote(o outcome) {
	batch := c.inFlight
	c.inFlight = nil
	if o.err != nil {
		c.alert("journal", "readings cannot be kept, measuring goes on: "+o.err.Error()+remedy(o.err))
		c.retry = min(max(2*c.retry, firstRewrite), lastRewrite)
		return
	}
	c.onDisk(*batch)
	if o.room != nil {
		c.tidied(o.room)
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
	// What was measured before it came belongs before it.
	for n := len(c.inbox); n > 0; n-- {
		c.happened(<-c.inbox)
	}
	id, reply := c.do(ctx, m)
	if reply == nil {
		return // answered already
	}
	if !reply.OK {
		reply.Error = fmt.Sprintf("%.500s", reply.Error) // it may repeat what was sent
		c.log.Warn("command refused", "id", id, "error", reply.Error)
	}
	c.link.reply(id, *reply)
}

func (c *cart) do(ctx context.Context, m incoming) (id string, reply *Reply) {
	id, _ = commandID(m.payload)
	refuse := func(err error) (string, *Reply) { return id, &Reply{Error: err.Error()} }
	payload, stale, err := c.seal.open(ctx, m.payload)
	if err != nil {
		return refuse(err)
	}
	cmd, err := parseCommand(payload)
	if err != nil {
		return refuse(err)
	}
	before, done, err := c.journal.Answered(id)
	if err != nil {
		return refuse(err)
	}
	sum := fingerprint(payload)
	if done && before.Command != sum {
		return refuse(errors.New("id: was used for another command, use a new one"))
	}
	if done {
		c.link.count("repeated")
		c.link.replyRaw(id, before.Reply)
		return id, nil
	}
	if stale != nil {
		return refuse(stale)
	}
	if m.retained {
		return refuse(errors.New("retained: a command that the broker kept is old, send it without retain"))
	}
	// By the computer's clock, as its sender sees it: the cart's may be far ahead.
	if wall := time.Now(); cmd.NotAfter != nil && wall.After(cmd.notAfter) {
		return refuse(fmt.Errorf("not_after: it is %s, this command came too late", timestamp(wall.UnixNano())))
	}
	now := c.clock.NowNs()
	if cmd.Do == "republish" {
		c.link.again()
		return id, &Reply{OK: true, Job: c.state.Job.Spec.ID}
	}
	if cmd.ServiceData != "" {
		if c.serviceData == "" {
			return refuse(errors.New("service_data: the configuration names no folder of them: give the figures themselves"))
		}
		d, err := FindServiceData(c.serviceData, cmd.ServiceData, c.fluids)
		if err != nil {
			return refuse(fmt.Errorf("service_data: %w", err))
		}
		cmd.lookedUp = &d
	}
	in, err := cmd.input(c.fluids, c.state.Measured, now)
	if err != nil {
		return refuse(err)
	}
	if in.Do == fillcalc.DoOpen {
		// A job's own events say all about it.
		in.Setup, in.Levels, in.Clock = &c.state.Setup, c.state.Levels(), c.state.Clock
	}
	if err := fillcalc.Check(&c.state, in); err != nil {
		return refuse(err)
	}
	if err := cmd.meansAnotherStep(c.state.Job.Steps); err != nil {
		return refuse(err)
	}
	if err := c.keepAndDo(ctx, in, c.identities.hide(in), now, sum); err != nil {
		return refuse(err)
	}
	return id, &Reply{OK: true, Job: c.state.Job.Spec.ID}
}

// keepAndDo puts a command on disk, with everything that came before it and
// its answer, and then lets it take effect. When the disk refuses, nothing has
// happened.
func (c *cart) keepAndDo(ctx context.Context, in *fillcalc.Input, names []Name, nowNs int64, sum [sha256.Size]byte) error {
	c.settle()
	if n := len(c.unsaved.Events); n > mostInBatch {
		c.retry = 0 // the disk may be well again
		return fmt.Errorf("the command could not be kept and was not done: the journal is %d readings behind after trouble with the disk: send it again in a moment", n)
	}
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: nowNs, Input: in})
	next := fillcalc.Apply(c.state, e)
	batch := c.unsaved
	batch.Events = append(slices.Clip(batch.Events), e)
	batch.Published = slices.Clip(batch.Published)
	id := in.ID
	batch.Names = names
	batch.Answers = []Answer{{id, e.AtNs, sum, encode(Reply{ID: &id, OK: true, Job: next.Job.Spec.ID})}}
	c.showAll(&next, &batch)
	c.chain.seal(&batch)
	ended := c.state.Job.Phase.Open() && !next.Job.Phase.Open()
	if ended {
		batch.note(PublishedSummary(&next, batch.Chain))
	}
	if ended || c.gap.open {
		batch.Snapshot = &next
	}
	// Not cancelled by a stop: a command is done whole or not at all.
	if err := c.journal.Append(context.WithoutCancel(ctx), batch); err != nil {
		c.alert("journal", "commands are refused: "+err.Error()+remedy(err))
		return fmt.Errorf("the command could not be kept and was not done: %w", err)
	}
	c.unsaved = batch
	c.onDisk(batch)
	c.state = next
	c.watchJob()
	c.sendAll()
	if in.Do == fillcalc.DoDensity {
		c.link.set(AboutLeaf, encode(c.about()))
	}
	return nil
}

// alert raises, changes or (with an empty text) ends an alert. A text may hold a
// whole page that a proxy sent: the beginning is enough.
func (c *cart) alert(kind, text string) {
	text = fmt.Sprintf("%.500s", text)
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
		Leaves:   []Leaf{PresenceLeaf, AboutLeaf, VolumesLeaf, WindowLeaf, JobLeaf, AlertsLeaf, ReadingsLeaf},
		Measured: []AboutFluid{},
		Units:    "SI; the unit stands in each field's name; litres are at reference_c"}
	for _, f := range c.state.Measured {
		a.Measured = append(a.Measured, AboutFluid{f.Name, number(f.DensityKgM3), number(f.AtC), number(100 * f.DensityU)})
	}
	for i := range c.config.Sensors {
		s := &c.config.Sensors[i]
		a.Sensors = append(a.Sensors, AboutSensor{s.Name, s.Role, s.quantity().String(), s.Protocol})
	}
	return a
}
