package journal

import (
	"context"
	"database/sql/driver"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"bayfill/fillcalc"
)

// withOneEvent returns an open journal with one event, and its path.
func withOneEvent(t *testing.T) (j *Journal, path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "j")
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Append(t.Context(), Batch{Events: []fillcalc.Event{{Seq: 1, Kind: fillcalc.KindWeight}}}); err != nil {
		t.Fatal(err)
	}
	return j, path
}

// TestTransactionUndone: a transaction that fails in the middle leaves nothing, and the next
// one goes on.
func TestTransactionUndone(t *testing.T) {
	j, _ := withOneEvent(t)
	defer j.Close()
	twice := Batch{Events: []fillcalc.Event{{Seq: 2, Kind: fillcalc.KindWeight}, {Seq: 1, Kind: fillcalc.KindWeight}}}
	if err := j.Append(t.Context(), twice); err == nil {
		t.Error("an event was written twice")
	}
	if err := j.Append(t.Context(), Batch{Events: []fillcalc.Event{{Seq: 2, Kind: fillcalc.KindWeight}}}); err != nil {
		t.Error(err)
	}
	if events, err := j.Events(t.Context(), 0, 10); len(events) != 2 || err != nil {
		t.Errorf("%v, %v", events, err)
	}
}

// TestReplacedConnection: the library replaces a connection that fails; the next transaction
// prepares its statements anew, and closing leaves no file open.
func TestReplacedConnection(t *testing.T) {
	j, path := withOneEvent(t)
	if err := j.onConnection(context.Background(), func(any) error { return driver.ErrBadConn }); !errors.Is(err, driver.ErrBadConn) {
		t.Fatal(err)
	}
	for seq := range uint64(2) {
		if err := j.Append(t.Context(), Batch{Events: []fillcalc.Event{{Seq: 2 + seq, Kind: fillcalc.KindWeight}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if events, err := r.Events(t.Context(), 0, 10); len(events) != 3 || err != nil {
		t.Errorf("%v, %v", events, err)
	}
}

// TestNothingStaysOpen: a closed journal has no log beside it, which SQLite removes with the
// last connection.
func TestNothingStaysOpen(t *testing.T) {
	j, path := withOneEvent(t)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path + "-wal"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the log: %v", err)
	}
}
