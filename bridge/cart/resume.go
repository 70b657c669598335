package cart

import (
	"context"
	"encoding/json"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// A journal that was put back from an older copy, or begun anew, would give numbers a
// second time and do commands again. At the start it is compared with what others know of
// the cart. When it is behind, the events go on with numbers and times above all that are
// known, and commands that were done since the copy are refused.

// Newest is what somebody else knows of a cart's journal.
type Newest struct {
	From string // who knows it, for the log
	Seq  uint64 // of the newest event; 0: nothing is known
	AtNs int64
	Done []string // ids of commands that were done
}

const (
	// spareNumbers lie between the newest number that is known and the first one of a
	// resumed journal, since nobody knows the newest event for certain.
	spareNumbers = 10_000
	// Unsaved is how much newer a leaf may be than the journal after a crash, since leaves
	// are published before their events are on disk.
	Unsaved = 10 * time.Second
	// maxAhead and maxSkip limit what is believed: a forged point of the history must not
	// use up the numbers or move the clock.
	maxAhead = 24 * time.Hour
	maxSkip  = 1 << 40
	// resumedMark is the journal's mark about its last resumption.
	resumedMark = "resumed"
)

// resumption is what the journal keeps about its last resumption.
type resumption struct {
	CopyNs  int64 `json:"copy_ns"`  // time of the newest event of the copy
	KnownNs int64 `json:"known_ns"` // time of the newest event that is known
	AtNs    int64 `json:"at_ns"`
}

// compare compares the journal with what others know, and returns the newest of it when
// the journal is behind, else nil. done are the commands that the journal does not know.
func (c *Cart) compare(ctx context.Context, s *fillcalc.State, wallNs int64, others func(ctx context.Context, cart string, afterNs int64) []Newest) (newest *Newest, done []string) {
	w := c.journal.Witness()
	all := []Newest{{From: "witness", Seq: w.Seq, AtNs: w.AtNs, Done: w.Done}}
	if others != nil {
		all = append(all, others(ctx, c.config.Name, s.NowNs)...)
	}
	for i := range all {
		n := &all[i]
		if n.Seq <= s.Seq {
			continue
		}
		if n.Seq-s.Seq > maxSkip || n.AtNs > wallNs+int64(maxAhead) {
			c.log.Warn("somebody knows events of this cart that cannot be: they are not believed", "from", n.From, "seq", n.Seq, "at", wire.Timestamp(n.AtNs))
			continue
		}
		c.log.Error("the journal is older than what others know of this cart", "from", n.From, "journal", s.Seq, "known", n.Seq)
		done = append(done, n.Done...)
		if newest == nil || n.Seq > newest.Seq {
			newest = n
		}
	}
	return newest, done
}

// resume sets the state behind everything that is known, and returns what the start event
// says about it, and the answers to commands that were done since the copy.
func (c *Cart) resume(s *fillcalc.State, newest *Newest, done []string, nowNs int64) (*fillcalc.Resumed, []journal.Answer, error) {
	text, err := json.Marshal(resumption{CopyNs: s.NowNs, KnownNs: newest.AtNs, AtNs: nowNs})
	if err != nil {
		return nil, nil, err
	}
	if err := journal.SetMark(c.journal.DB, resumedMark, string(text)); err != nil {
		return nil, nil, words.NewError("record.journal", "why", err)
	}
	r := &fillcalc.Resumed{After: s.Seq, UpTo: newest.Seq + spareNumbers}
	s.Seq = r.UpTo
	var lost []journal.Answer
	seen := map[string]bool{"": true}
	for _, id := range done {
		if _, known, err := c.journal.Answered(id); err != nil {
			return nil, nil, err
		} else if !known && !seen[id] {
			seen[id] = true
			lost = append(lost, journal.Answer{ID: id, AtNs: nowNs, Reply: wire.Encode(wire.Reply{ID: &id})})
		}
	}
	return r, lost, nil
}

// alertResumed raises the alert about a journal that was an older copy, for as long as the
// journal keeps its events.
func (c *Cart) alertResumed() error {
	text, err := c.journal.Mark(resumedMark)
	if err != nil || text == "" {
		return err
	}
	var r resumption
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		return words.NewError("record.journal", "why", words.NewError("record.mark", "mark", resumedMark, "why", err))
	}
	if c.state.NowNs-r.AtNs > int64(c.retention.keep) {
		return nil
	}
	t := fillcalc.Text{Key: "alert.journal_older", Names: map[string]string{"from_when": wire.Timestamp(r.CopyNs), "to_when": wire.Timestamp(r.KnownNs)}}
	if r.CopyNs == 0 {
		t = fillcalc.Text{Key: "alert.journal_anew", Names: map[string]string{"to_when": wire.Timestamp(r.KnownNs)}}
	}
	c.alert(wire.Alert{Code: wire.AlertJournalOlder, Said: wire.Say(t)})
	return nil
}
