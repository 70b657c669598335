package cart

import (
	"context"
	"slices"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

const (
	// saveEvery bounds what a power cut can cost: readings of less than a second.
	saveEvery = 900 * time.Millisecond
	// snapshotEvery bounds how many events are replayed at a start: about half an hour
	// of readings.
	snapshotEvery = 20000

	// After a failed write the next attempt follows in a second, then less and less
	// often.
	minRetry = time.Second
	maxRetry = 30 * time.Second
	// maxBatch is the number of events in one write. A long backlog is written in
	// pieces, each of which is progress.
	maxBatch = 2000
	// maxBacklog is two hours of a cart that sends 40 readings a second, about 60 MB
	// with what was published.
	maxBacklog = 300_000
)

// backlog is what is not on disk yet, and how writing goes.
type backlog struct {
	batch    journal.Batch  // everything that is not on disk
	inFlight *journal.Batch // the front of it that is being written; nil: none
	writes   chan write     // for the writer; it has room, so nobody waits
	done     chan outcome   // how a write went while somebody else had the state; it has room too
	max      int            // number of events above which the oldest are dropped
	gap      gap
	beganAt  time.Time     // when the last write began
	retry    time.Duration // pause after it failed; 0: it succeeded

	chain       points.Chain // over what is on disk
	snapshotSeq uint64       // of the newest snapshot on disk
}

// gap is a stretch of time whose readings will never be in the journal.
type gap struct {
	fromNs, toNs int64
	open         bool // no snapshot on disk covers it yet
}

// outcome is how a write went, and the journal's room if that was checked.
type outcome struct {
	err  error
	room *journal.Usage
}

// due reports whether it is time to write: at the usual pace, after a pause when the
// last write failed, and at once when there is more than one batch.
func (b *backlog) due() bool {
	return time.Since(b.beganAt) >= max(saveEvery, b.retry) || b.retry == 0 && len(b.batch.Events) > maxBatch
}

// next returns the front of the backlog, ready to be written. A snapshot that covers a
// gap is written together with what follows the gap, since a replay would stop there
// without it.
func (b *backlog) next(s *fillcalc.State) journal.Batch {
	batch, rest := b.batch.Split(min(len(b.batch.Events), maxBatch))
	batch.LinkChain(b.chain)
	if b.gap.open || len(rest.Events) == 0 && s.Seq-b.snapshotSeq >= snapshotEvery {
		snapshot := *s
		batch.Snapshot = &snapshot
	}
	return batch
}

// remove removes a batch that is on disk.
func (b *backlog) remove(batch journal.Batch) {
	_, b.batch = b.batch.Split(len(batch.Events))
	b.chain = batch.Chain
	if len(b.batch.Events) == 0 {
		b.batch = journal.Batch{} // frees its memory, which may hold hours
	}
	if batch.Snapshot != nil {
		b.snapshotSeq = batch.Snapshot.Seq
		b.gap.open = b.gap.open && b.gap.toNs > batch.Snapshot.NowNs
	}
	b.retry = 0
}

// dropOldest drops the oldest events that are not in flight, all of them readings and
// ticks, and extends the gap.
func (b *backlog) dropOldest() {
	start := 0
	if b.inFlight != nil {
		start = len(b.inFlight.Events)
	}
	kept, rest := b.batch.Split(start)
	dropped, _ := rest.Split(min(len(rest.Events), maxBatch))
	if !b.gap.open {
		b.gap = gap{fromNs: dropped.Events[0].AtNs, open: true}
	}
	b.gap.toNs = dropped.Events[len(dropped.Events)-1].AtNs
	p := len(kept.Published)
	b.batch.Events = slices.Delete(b.batch.Events, start, start+len(dropped.Events))
	b.batch.Published = slices.Delete(b.batch.Published, p, p+len(dropped.Published))
}

// addToBacklog adds an event that is to be saved. When writing has failed for hours,
// the oldest events are dropped so that memory stays bounded. Their effect stays in
// the state, and reaches the disk with its snapshot.
func (c *Cart) addToBacklog(e fillcalc.Event) {
	b := &c.backlog
	b.batch.Events = append(b.batch.Events, e)
	if len(b.batch.Events) <= b.max {
		return
	}
	b.dropOldest()
	c.alert(wire.Alert{Code: wire.AlertJournalGap, Said: wire.Say(fillcalc.Text{Key: "alert.journal_gap",
		Names: map[string]string{"from_when": wire.Timestamp(b.gap.fromNs), "to_when": wire.Timestamp(b.gap.toNs)}})})
}

// journalText says that the journal cannot be written, and what helps.
func journalText(key string, err error) fillcalc.Text {
	return fillcalc.Text{Key: key, Names: map[string]string{"reason": err.Error(), "remedy": journal.Remedy(err)}}
}

// write is a batch for the writer, and what the journal is to forget once it is on disk.
type write struct {
	batch        journal.Batch
	nowNs        int64
	snapshotSeq  uint64
	prune, check bool
}

// save gives the front of the backlog to the writer. One write is in flight at a time;
// writeDone receives its outcome.
func (c *Cart) save() {
	b := &c.backlog
	if b.inFlight != nil || len(b.batch.Events) == 0 {
		return
	}
	b.beganAt = time.Now()
	batch := b.next(&c.state)
	b.inFlight = &batch
	prune, check := c.retention.due(c.state.NowNs)
	b.writes <- write{batch, c.state.NowNs, b.snapshotSeq, prune, check}
}

// runWriter writes what it is given on a goroutine of its own, since a slow card must not
// delay live values: one for the whole run, because the stack that the database needs is
// costly to grow. Who has the state meanwhile gets the outcome later.
func (c *Cart) runWriter(ctx context.Context) {
	for w := range c.backlog.writes {
		o := c.write(ctx, w)
		if !c.lock.TryLock() {
			c.backlog.done <- o
			continue
		}
		c.writeDone(o)
		c.after() // there may be more to write
		c.lock.Unlock()
	}
}

// write writes a batch. It is not cancelled by a stop: a write that has begun is finished.
func (c *Cart) write(ctx context.Context, w write) outcome {
	ctx = context.WithoutCancel(ctx)
	o := outcome{err: c.journal.Append(ctx, w.batch)}
	if o.err != nil || !w.check {
		return o
	}
	// The batch is on disk. A failure here must not write it again; the next minute or hour
	// tries again.
	room, err := c.retain(ctx, w.nowNs, w.snapshotSeq, w.prune)
	if err != nil {
		c.log.Warn("old events stay in the journal", "error", err)
		return o
	}
	o.room = &room
	return o
}

// writeDone handles the outcome of a write. A batch that failed stays in the backlog,
// and measuring goes on.
func (c *Cart) writeDone(o outcome) {
	b := &c.backlog
	batch := b.inFlight
	b.inFlight = nil
	if o.err != nil {
		c.alert(wire.Alert{Code: wire.AlertJournal, Said: wire.Say(journalText("alert.journal_readings", o.err))})
		b.retry = min(max(2*b.retry, minRetry), maxRetry)
		return
	}
	c.saved(*batch)
	if o.room != nil {
		c.handleRoom(o.room)
	}
}

// awaitWrite waits for the write in flight.
func (c *Cart) awaitWrite() {
	if c.backlog.inFlight != nil {
		c.writeDone(<-c.backlog.done)
	}
}

// saved handles a batch that is on disk: it leaves the backlog, and the forwarder gets
// a signal.
func (c *Cart) saved(batch journal.Batch) {
	c.backlog.remove(batch)
	c.alert(wire.Alert{Code: wire.AlertJournal})
	c.meter.saved(batch.Events)
	select {
	case c.grown <- struct{}{}:
	default: // one signal is waiting already, or there is no forwarder
	}
}
