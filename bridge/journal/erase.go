package journal

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
)

// EraseName removes from a journal what a token stands for, also from the lines
// that the history refused; the program may be running, which remembers it until
// it is started again. It tells whether there was anything.
func EraseName(ctx context.Context, journal, token string) (erased bool, err error) {
	if _, err := os.Stat(journal); err != nil {
		return false, fmt.Errorf("journal: %w", err)
	}
	// What is deleted is overwritten in the file, and the log of changes emptied.
	j, err := openDatabase(journal, url.Values{"mode": {"rw"}, "_pragma": {"busy_timeout(10000)", "secure_delete(ON)"}}, journalSchema)
	if err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	result, err := j.DB.ExecContext(ctx, "DELETE FROM name WHERE token = ?", token)
	if err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	lines, err := j.eraseDeadLetters(ctx, token)
	if err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	if _, err := j.DB.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	n, err := result.RowsAffected()
	return n > 0 || lines > 0, err
}
