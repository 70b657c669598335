package cart

import (
	"context"
	"fmt"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
)

// pace is how fast something grows, seen from where it stood one to two hours ago.
type pace struct{ before, last struct{ ns, bytes int64 } }

// left is how long it takes to grow by so many bytes more; 0 when that is not known
// yet, or it does not grow.
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
	// Less than a century, or the nanoseconds do not fit.
	return time.Duration(min(float64(nowNs-p.before.ns)/float64(bytes-p.before.bytes)*float64(more), 3e18))
}

const (
	// How often the journal is looked at for what is old, and for its size, on the
	// cart's clock.
	pruneEvery, tidyEvery = time.Hour, time.Minute
	// fillingShare of the limit is when a journal that fills up is told of.
	fillingShare = 0.75
	// goingOn is how long after the last piece readings count as still being given up.
	goingOn = 6 * time.Hour
)

// tidy deletes what the journal no longer needs, or has no room for, a piece of it.
func (c *Cart) tidy(ctx context.Context, nowNs int64, snapshotSeq uint64, prune bool) (r journal.Usage, err error) {
	old := false
	if prune {
		if old, err = c.journal.Prune(ctx, time.Unix(0, nowNs).Add(-c.keep), snapshotSeq, c.forward != nil); err != nil {
			return r, err
		}
	}
	r, err = c.journal.Retain(ctx, c.most, snapshotSeq, nowNs, c.keep)
	r.More = r.More || old
	return r, err
}

// tidied takes note of how the journal stands, and tells.
func (c *Cart) tidied(r *journal.Usage) {
	c.untidy = r.More
	c.meter.givenUp.Add(float64(r.Lost))
	if c.lost += r.Lost; c.lost > 0 && c.state.NowNs-c.lostToldNs >= int64(time.Hour) {
		c.log.Warn("readings outside jobs given up, the journal has reached its limit",
			"readings", c.lost, "in_all", r.GivenUp.Readings, "from", wire.Timestamp(r.GivenUp.FromNs), "to", wire.Timestamp(r.GivenUp.ToNs))
		c.lost, c.lostToldNs = 0, c.state.NowNs
	}
	c.tellGivenUp(r.GivenUp)
	left := c.filling.left(c.state.NowNs, r.Waiting, c.most-r.Waiting)
	if r.More {
		return // how it stands is known when that is done
	}
	const remedy = "see to the history, or allow more"
	limit := fmt.Sprintf("its limit of %g MB (journal.max_mb)", float64(c.most)/1e6)
	filling, jobs := "", ""
	switch share := float64(r.Waiting) / float64(c.most); {
	case r.JobsOnly:
		jobs = "the journal is beyond " + limit + " and only jobs and commands are left in it, which stay: it grows on until the disk is full: " + remedy
	case share > fillingShare && r.GivenUp.Readings > 0 && c.state.NowNs-r.GivenUp.LastNs < int64(goingOn):
		filling = "the journal is full to " + limit + " with what no history has taken: the oldest readings outside jobs are given up, jobs stay: " + remedy
	case share > fillingShare:
		filling = fmt.Sprintf("the journal is filled to %.0f %% of %s with what no history has taken", 100*share, limit)
		if left > 0 {
			filling += ", and full in " + roughly(left) + " at the present pace"
		}
		filling += ": then the oldest readings outside jobs are given up: " + remedy
	}
	c.alert(wire.Alert{Code: wire.AlertJournalFilling, Text: filling})
	c.alert(wire.Alert{Code: wire.AlertJournalJobs, Text: jobs})
}

// tellGivenUp keeps the alert about what went for as long after it as the journal
// keeps what was taken.
func (c *Cart) tellGivenUp(g journal.GivenUp) {
	text := ""
	if g.Readings > 0 && c.state.NowNs-g.LastNs <= int64(c.keep) {
		text = fmt.Sprintf("the journal reached its limit (journal.max_mb) before a history had taken all: %d readings outside jobs are given up, of the time from %s to %s; jobs are whole",
			g.Readings, wire.Timestamp(g.FromNs), wire.Timestamp(g.ToNs))
	}
	c.alert(wire.Alert{Code: wire.AlertJournalGivenUp, Text: text})
}

// roughly is a duration in words, for planning.
func roughly(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f minutes", d.Minutes())
}
