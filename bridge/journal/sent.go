package journal

import (
	"context"
	"database/sql"
	"fmt"
	"sync"
)

// sentMark is the history's mark. A mark that has moved reaches the disk with the next
// batch and not in a commit of its own: after a power cut at most a batch is sent once
// more, which changes nothing in the history.
type sentMark struct {
	mu         sync.Mutex
	now, saved uint64
	known      bool // now was read from the disk, or set since
}

// Sent returns the sequence number up to which the history has everything.
func (j *Journal) Sent() (seq uint64, err error) {
	if seq, known := j.sent.get(); known {
		return seq, nil
	}
	text, err := j.Mark("sent")
	if err != nil {
		return 0, err
	}
	if text != "" {
		if _, err := fmt.Sscan(text, &seq); err != nil {
			return 0, fmt.Errorf("journal: mark sent: %w", damaged(j.path, err))
		}
	}
	if j.lock != nil { // nobody else writes the journal
		j.sent.read(seq)
	}
	return seq, nil
}

func (m *sentMark) get() (seq uint64, known bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.now, m.known
}

// read notes the mark that is on disk, unless it has moved meanwhile.
func (m *sentMark) read(seq uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.known {
		m.now, m.saved, m.known = seq, seq, true
	}
}

// SetSent moves the history's mark and keeps the lines that the history has refused for
// good, with its reasons. Those are on disk when it returns; the mark alone is on disk
// after the next [Journal.Append] or Close.
func (j *Journal) SetSent(ctx context.Context, seq uint64, refused []Refused) error {
	if len(refused) == 0 {
		j.sent.set(seq)
		return nil
	}
	tx, err := j.DB.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	defer tx.Rollback()
	for _, r := range refused {
		if _, err := tx.Exec("INSERT INTO set_aside VALUES (?,?,?)", int64(seq), r.Line, r.Reason); err != nil {
			return fmt.Errorf("journal: %w", damage(j.path, err))
		}
	}
	if err := SetMark(tx, "sent", fmt.Sprint(seq)); err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	j.sent.set(seq) // the next batch writes it again: one before it may have been under way
	return nil
}

func (m *sentMark) set(seq uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.now, m.known = seq, true
}

// write writes the mark as a part of a transaction, unless it is on disk. It returns the
// mark, for kept.
func (m *sentMark) write(tx *sql.Tx, set *sql.Stmt) (seq uint64, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.now != m.saved {
		_, err = set.Exec("sent", fmt.Sprint(m.now))
	}
	return m.now, err
}

// kept notes that a mark is on disk.
func (m *sentMark) kept(seq uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.saved = seq
}

// keepSent writes the mark to the disk.
func (j *Journal) keepSent() error {
	if j.sent.now == j.sent.saved {
		return nil
	}
	if err := SetMark(j.DB, "sent", fmt.Sprint(j.sent.now)); err != nil {
		return fmt.Errorf("journal: %w", damage(j.path, err))
	}
	j.sent.kept(j.sent.now)
	return nil
}
