package journaltest

import (
	"context"
	"database/sql"
	"testing"

	"bayfill/bridge/journal"
	"bayfill/fillcalc"
)

// Open opens or creates a journal, which is closed at the end of the test.
func Open(t *testing.T, path string) *journal.Journal {
	t.Helper()
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j
}

// Append appends a batch, or fails the test.
func Append(t *testing.T, j *journal.Journal, b journal.Batch) {
	t.Helper()
	if err := j.Append(t.Context(), b); err != nil {
		t.Fatal(err)
	}
}

// EventsIn reads all events of a journal.
func EventsIn(t testing.TB, path string) []fillcalc.Event {
	t.Helper()
	journal, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	events, err := journal.Events(context.Background(), 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	return events
}

// Occupy keeps all others from writing to a journal until release is called.
func Occupy(t *testing.T, path string) (release func()) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	if _, err := db.Exec("BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	return func() {
		if _, err := db.Exec("ROLLBACK"); err != nil {
			t.Fatal(err)
		}
	}
}

// Replayed returns the state after the last event of a journal.
func Replayed(t *testing.T, path string) fillcalc.State {
	t.Helper()
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	s, _, err := j.Replay(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return s
}
