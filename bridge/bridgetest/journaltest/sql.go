package journaltest

import (
	"fmt"
	"testing"

	"bayfill/bridge/journal"
)

// fill lets the journal's file not grow any more, as on a full disk; room lets
// it grow again.
func FillUp(t *testing.T, j *journal.Journal) (room func()) {
	t.Helper()
	Allow(t, j, 0)
	return func() { Allow(t, j, 1<<29) }
}

// allow lets the journal's file grow by so many pages of 4 KiB and no more.
func Allow(t *testing.T, j *journal.Journal, more int) {
	t.Helper()
	var pages int
	err := j.DB.QueryRow("PRAGMA page_count").Scan(&pages)
	if err == nil {
		_, err = j.DB.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages+more))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// eventCount is how many events are on disk.
func EventCount(t *testing.T, j *journal.Journal) (n int) {
	t.Helper()
	if err := j.DB.QueryRow("SELECT count(*) FROM event").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// count is a number that a query finds in the journal.
func CountOf(t *testing.T, j *journal.Journal, query string, args ...any) (n int) {
	t.Helper()
	if err := j.DB.QueryRow(query, args...).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
