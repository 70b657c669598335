package cart

import (
	"context"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

const (
	// keepJournal is how long a journal keeps what history and fold no longer need.
	keepJournal = 7 * 24 * time.Hour
	// pruneEvery and checkEvery are how often old events are deleted and the journal's
	// size is checked, on the cart's clock.
	pruneEvery, checkEvery = time.Hour, time.Minute
	// fillingShare of the limit is the size at which an alert is raised.
	fillingShare = 0.75
	// deletingFor is how long after the last deletion at the limit the alert says that
	// readings are being deleted.
	deletingFor = 6 * time.Hour
)

// retention is what the journal keeps, and when that was last enforced on the cart's
// clock.
type retention struct {
	keep     time.Duration // how long what history and fold no longer need is kept
	maxBytes int64         // the journal's limit

	prunedNs  int64 // when old events were last deleted
	checkedNs int64 // when the size was last checked
	more      bool  // more is to be deleted
	waiting   pace  // of what waits for the history
	unlogged  int64 // readings deleted at the limit since the last log entry
	loggedNs  int64
}

// due reports whether old events are to be deleted now and the size is to be checked
// now, and takes both as done.
func (r *retention) due(nowNs int64) (prune, check bool) {
	prune = r.more || nowNs-r.prunedNs >= int64(pruneEvery)
	check = prune || nowNs-r.checkedNs >= int64(checkEvery)
	if prune {
		r.prunedNs = nowNs
	}
	if check {
		r.checkedNs, r.more = nowNs, false
	}
	return prune, check
}

// retain deletes a piece of what the journal no longer needs or has no room for. It
// runs outside the loop, on the goroutine that writes.
func (c *Cart) retain(ctx context.Context, nowNs int64, snapshotSeq uint64, prune bool) (room journal.Usage, err error) {
	r, old := &c.retention, false
	if prune {
		if old, err = c.journal.Prune(ctx, time.Unix(0, nowNs).Add(-r.keep), snapshotSeq, c.grown != nil); err != nil {
			return room, err
		}
	}
	room, err = c.journal.Retain(ctx, r.maxBytes, snapshotSeq, nowNs, r.keep)
	room.More = room.More || old
	return room, err
}

// handleRoom logs what was deleted at the limit and raises the alerts about the
// journal's size.
func (c *Cart) handleRoom(room *journal.Usage) {
	r, nowNs := &c.retention, c.state.NowNs
	r.more = room.More
	c.meter.givenUp.Add(float64(room.Lost))
	if r.unlogged += room.Lost; r.unlogged > 0 && nowNs-r.loggedNs >= int64(time.Hour) {
		c.log.Warn("readings outside jobs were deleted, the journal has reached its limit",
			"readings", r.unlogged, "in_all", room.GivenUp.Readings, "from", wire.Timestamp(room.GivenUp.FromNs), "to", wire.Timestamp(room.GivenUp.ToNs))
		r.unlogged, r.loggedNs = 0, nowNs
	}
	c.alertGivenUp(room.GivenUp)
	fullIn := r.waiting.left(nowNs, room.Waiting, r.maxBytes-room.Waiting)
	if room.More {
		return // the size is known when everything is deleted
	}
	filling, jobs := r.texts(room, nowNs, fullIn)
	c.alert(wire.Alert{Code: wire.AlertJournalFilling, Said: wire.Say(filling)})
	c.alert(wire.Alert{Code: wire.AlertJournalJobs, Said: wire.Say(jobs)})
}

// texts returns the texts of two alerts: the journal fills up, or it is above its limit
// and holds jobs only. fullIn is 0 when that is unknown.
func (r *retention) texts(room *journal.Usage, nowNs int64, fullIn time.Duration) (filling, jobs fillcalc.Text) {
	share := float64(room.Waiting) / float64(r.maxBytes)
	t := fillcalc.Text{Figures: map[string]float64{"limit_mb": float64(r.maxBytes) / 1e6, "filled_pct": 100 * share}}
	switch {
	case room.JobsOnly:
		t.Key = "alert.journal_jobs"
		return filling, t
	case share <= fillingShare:
		return filling, jobs
	case room.GivenUp.Readings > 0 && nowNs-room.GivenUp.LastNs < int64(deletingFor):
		t.Key = "alert.journal_full"
	case fullIn > 0:
		t.Key, t.Figures["full_in_s"] = "alert.journal_filling_soon", fullIn.Seconds()
	default:
		t.Key = "alert.journal_filling"
	}
	return t, jobs
}

// alertGivenUp raises the alert about readings deleted at the limit. It lasts as long
// after the last deletion as the journal keeps its events.
func (c *Cart) alertGivenUp(g journal.GivenUp) {
	text := fillcalc.Text{}
	if g.Readings > 0 && c.state.NowNs-g.LastNs <= int64(c.retention.keep) {
		text = fillcalc.Text{Key: "alert.journal_given_up", Figures: map[string]float64{"readings": float64(g.Readings)},
			Names: map[string]string{"from_when": wire.Timestamp(g.FromNs), "to_when": wire.Timestamp(g.ToNs)}}
	}
	c.alert(wire.Alert{Code: wire.AlertJournalGivenUp, Said: wire.Say(text)})
}

// pace is how fast a size grows, measured from where it was one to two hours ago.
type pace struct{ before, last struct{ ns, bytes int64 } }

// left returns how long it takes to grow by more bytes; 0 when that is unknown, or the
// size does not grow.
func (p *pace) left(nowNs, bytes, more int64) time.Duration {
	if p.last.ns == 0 || nowNs-p.last.ns >= int64(time.Hour) {
		p.before = p.last
		p.last.ns, p.last.bytes = nowNs, bytes
		if p.before.ns == 0 {
			p.before = p.last
		}
	}
	if nowNs-p.before.ns < int64(10*time.Minute) || bytes <= p.before.bytes {
		return 0
	}
	// Less than a century, or the nanoseconds overflow.
	return time.Duration(min(float64(nowNs-p.before.ns)/float64(bytes-p.before.bytes)*float64(more), 3e18))
}
