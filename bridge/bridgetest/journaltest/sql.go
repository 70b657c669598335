package journaltest

import (
	"fmt"
	"testing"

	"bayfill/bridge/journal"
)

// FillUp keeps the journal's file from growing, as a full disk does, until room is called.
func FillUp(t *testing.T, j *journal.Journal) (room func()) {
	t.Helper()
	Allow(t, j, 0)
	return func() { Allow(t, j, 1<<29) }
}

// Allow lets the journal's file grow by at most so many pages of 4 KiB.
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

// EventCount returns how many events are on disk.
func EventCount(t *testing.T, j *journal.Journal) (n int) {
	t.Helper()
	if err := j.DB.QueryRow("SELECT count(*) FROM event").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// CountOf returns the number that a query finds in the journal.
func CountOf(t *testing.T, j *journal.Journal, query string, args ...any) (n int) {
	t.Helper()
	if err := j.DB.QueryRow(query, args...).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
