package journal

import (
	"context"
	"strconv"

	"bayfill/bridge/words"
)

// counterMark begins the name of the mark that holds the last counter of a key.
const counterMark = "counter "

// Counter returns the last counter that a signed command has used with a key, 0 when
// there was none. A journal put back from an older copy does not bring back a lower one.
func (j *Journal) Counter(key string) (n uint64, err error) {
	text, err := j.Mark(counterMark + key)
	if err != nil {
		return 0, err
	}
	if text != "" {
		if n, err = strconv.ParseUint(text, 10, 64); err != nil {
			return 0, failed(words.NewError("record.mark", "mark", counterMark, "why", err))
		}
	}
	return max(n, j.Witness().Counters[key]), nil
}

// SetCounter keeps the last counter of a key. After it has returned nil the counter
// survives a power cut. It does not stop in the middle when ctx ends.
func (j *Journal) SetCounter(ctx context.Context, key string, n uint64) error {
	tx, err := j.DB.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		return failed(err)
	}
	defer tx.Rollback()
	if err := SetMark(tx, counterMark+key, strconv.FormatUint(n, 10)); err != nil {
		return failed(err)
	}
	if err := tx.Commit(); err != nil {
		return failed(err)
	}
	j.witness.counted(key, n)
	return nil
}
