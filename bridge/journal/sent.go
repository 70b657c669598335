package journal

import (
	"context"
	"fmt"
	"sync"

	"bayfill/bridge/words"
)

// sentMark is the history's mark. A mark that has moved reaches the disk with the next
// batch and not in a commit of its own: after a power cut at most a batch is sent once
// more, which changes nothing in the history.
type sentMark struct {
	mu         sync.Mutex
	now, saved sentUpTo
	known      bool // now was read from the disk, or set since
}

// sentUpTo is the last event that the history has, and whether a job was open then.
type sentUpTo struct {
	seq   uint64
	inJob bool
}

func (u sentUpTo) String() string { return fmt.Sprintf("%d %v", u.seq, u.inJob) }

// Sent returns the sequence number up to which the history has everything that it is to
// have, and whether a job was open then.
func (j *Journal) Sent() (seq uint64, inJob bool, err error) {
	if at, known := j.sent.get(); known {
		return at.seq, at.inJob, nil
	}
	var at sentUpTo
	text, err := j.Mark("sent")
	if err != nil {
		return 0, false, err
	}
	if text != "" {
		if _, err := fmt.Sscan(text, &at.seq, &at.inJob); err != nil {
			return 0, false, failed(words.NewError("record.mark", "mark", "sent", "why", damaged(j.path, err)))
		}
	}
	if j.lock != nil { // nobody else writes the journal
		j.sent.read(at)
	}
	return at.seq, at.inJob, nil
}

func (m *sentMark) get() (at sentUpTo, known bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.now, m.known
}

// read notes the mark that is on disk, unless it has moved meanwhile.
func (m *sentMark) read(at sentUpTo) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.known {
		m.now, m.saved, m.known = at, at, true
	}
}

// SetSent moves the history's mark, with whether a job is open there, and keeps the lines that the history has refused for
// good, with its reasons. Those are on disk when it returns; the mark alone is on disk
// after the next [Journal.Append] or Close.
func (j *Journal) SetSent(ctx context.Context, seq uint64, inJob bool, refused []Refused) error {
	at := sentUpTo{seq, inJob}
	if len(refused) == 0 {
		j.sent.set(at)
		return nil
	}
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return failed(damage(j.path, err))
	}
	defer tx.Rollback()
	for _, r := range refused {
		if _, err := tx.Exec("INSERT INTO set_aside VALUES (?,?,?)", int64(seq), r.Line, r.Reason); err != nil {
			return failed(damage(j.path, err))
		}
	}
	if err := SetMark(tx, "sent", at.String()); err != nil {
		return failed(damage(j.path, err))
	}
	if err := tx.Commit(); err != nil {
		return failed(damage(j.path, err))
	}
	j.sent.set(at) // the next batch writes it again: one before it may have been under way
	return nil
}

func (m *sentMark) set(at sentUpTo) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.now, m.known = at, true
}

// write writes the mark as a part of a transaction, unless it is on disk. It returns the
// mark, for kept.
func (m *sentMark) write(t *transaction) (at sentUpTo, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.now != m.saved {
		err = t.exec(setMark, "sent", m.now.String())
	}
	return m.now, err
}

// kept notes that a mark is on disk.
func (m *sentMark) kept(at sentUpTo) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.saved = at
}

// keepSent writes the mark to the disk.
func (j *Journal) keepSent() error {
	if j.sent.now == j.sent.saved {
		return nil
	}
	if err := SetMark(j.DB, "sent", j.sent.now.String()); err != nil {
		return failed(damage(j.path, err))
	}
	j.sent.kept(j.sent.now)
	return nil
}
