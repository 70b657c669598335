package cart

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
)

const (
	// saveEvery bounds what a power cut can cost: readings of less than a second.
	saveEvery = 700 * time.Millisecond
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
)

// gap is a stretch of time whose readings will never be in the journal.
type gap struct {
	fromNs, toNs int64
	open         bool // no snapshot on disk covers it yet
}

// outcome is how a batch fared, and how the journal stands if it was looked at.
type outcome struct {
	err  error
	room *journal.Usage
}

// saveDue tells when the disk's turn has come: at its pace, after a pause when
// it has refused, and at once when there is more than one batch holds.
func (c *Cart) saveDue() bool {
	return time.Since(c.saved) >= max(saveEvery, c.retry) || c.retry == 0 && len(c.unsaved.Events) > mostInBatch
}

// nextBatch is the front of what is not on disk. A snapshot that covers a gap
// goes with what follows the gap, or a replay would end there.
func (c *Cart) nextBatch() journal.Batch {
	batch, rest := c.unsaved.Split(min(len(c.unsaved.Events), mostInBatch))
	batch.LinkChain(c.chain)
	if c.gap.open || len(rest.Events) == 0 && c.state.Seq-c.snapshotSeq >= snapshotEvery {
		snapshot := c.state
		batch.Snapshot = &snapshot
	}
	return batch
}

// onDisk takes note that the front of unsaved is kept.
func (c *Cart) onDisk(batch journal.Batch) {
	_, c.unsaved = c.unsaved.Split(len(batch.Events))
	c.chain = batch.Chain
	if len(c.unsaved.Events) == 0 {
		c.unsaved = journal.Batch{} // its memory may be that of hours
	}
	if batch.Snapshot != nil {
		c.snapshotSeq = batch.Snapshot.Seq
		c.gap.open = c.gap.open && c.gap.toNs > batch.Snapshot.NowNs
	}
	c.retry = 0
	c.alert(wire.Alert{Code: wire.AlertJournal})
	c.meter.kept(batch.Events)
	c.kept()
}

// forget drops the oldest events that wait for the disk, all of them readings and
// ticks, so that a disk that refuses for hours does not fill the memory. What
// they did stays in the state, and with its snapshot comes to the disk.
func (c *Cart) forget() {
	at := 0
	if c.inFlight != nil {
		at = len(c.inFlight.Events)
	}
	kept, rest := c.unsaved.Split(at)
	gone, _ := rest.Split(min(len(rest.Events), mostInBatch))
	if !c.gap.open {
		c.gap = gap{fromNs: gone.Events[0].AtNs, open: true}
	}
	c.gap.toNs = gone.Events[len(gone.Events)-1].AtNs
	p := len(kept.Published)
	c.unsaved.Events = slices.Delete(c.unsaved.Events, at, at+len(gone.Events))
	c.unsaved.Published = slices.Delete(c.unsaved.Published, p, p+len(gone.Published))
	c.alert(wire.Alert{Code: wire.AlertJournalGap, Text: fmt.Sprintf("the journal has no readings from %s to %s, the disk took none for too long: the volumes are right, but cannot be computed again from readings",
		wire.Timestamp(c.gap.fromNs), wire.Timestamp(c.gap.toNs))})
}

// save hands what has come together to the disk, off this goroutine: a slow
// card must not hold up live values. One batch is under way at a time.
func (c *Cart) save(ctx context.Context) {
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
func (c *Cart) wrote(o outcome) {
	batch := c.inFlight
	c.inFlight = nil
	if o.err != nil {
		c.alert(wire.Alert{Code: wire.AlertJournal, Text: "readings cannot be kept, measuring goes on: " + o.err.Error() + journal.Remedy(o.err)})
		c.retry = min(max(2*c.retry, firstRewrite), lastRewrite)
		return
	}
	c.onDisk(*batch)
	if o.room != nil {
		c.tidied(o.room)
	}
}

// kept tells the forwarder that the journal has grown.
func (c *Cart) kept() {
	select {
	case c.forward <- struct{}{}:
	default: // it has been told, or there is none
	}
}

// settle waits for the batch under way.
func (c *Cart) settle() {
	if c.inFlight != nil {
		c.wrote(<-c.written)
	}
}
