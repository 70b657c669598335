package journal

import (
	"context"
	"fmt"
	"strconv"
)

// counterMark is where a journal keeps the last counter under a key.
const counterMark = "counter "

// counter is the last one that signed commands had with a key; 0: there was none.
func (j *Journal) Counter(key string) (n uint64, err error) {
	text, err := j.Mark(counterMark + key)
	if err != nil || text == "" {
		return 0, err
	}
	if n, err = strconv.ParseUint(text, 10, 64); err != nil {
		return 0, fmt.Errorf("journal: mark %s: %w", counterMark, err)
	}
	return n, nil
}

// setCounter is on disk when it returns nil.
func (j *Journal) SetCounter(ctx context.Context, key string, n uint64) error {
	tx, err := j.DB.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	defer tx.Rollback()
	if err := SetMark(tx, counterMark+key, strconv.FormatUint(n, 10)); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	return nil
}
