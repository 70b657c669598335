package doctor

import (
	"strings"
	"testing"
	"time"

	"bayfill/bridge/words"
)

// What is said of clock and disk does not depend on this computer.
func TestDoctorOnClockAndDisk(t *testing.T) {
	var last Finding
	d := doctor{report: func(f Finding) { last = f }}
	said := func(verdict Verdict, want string) {
		t.Helper()
		if last.Verdict != verdict || !strings.HasPrefix(last.For(words.Plain), want) {
			t.Errorf("%s: %q, want %s: %q", last.Verdict, last.For(words.Plain), verdict, want)
		}
	}
	for _, c := range []struct {
		now     time.Time
		set     bool
		verdict Verdict
		want    string
	}{
		{time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), true, Wrong, "clock: it shows 2000-01-01: set it"},
		{time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC), true, Wrong, "clock: it shows 2100-01-01: set it"},
		{time.Date(2026, 5, 1, 7, 30, 0, 0, time.UTC), true, OK, "clock: 2026-05-01 07:30 UTC, synchronised"},
		{time.Date(2026, 5, 1, 7, 30, 0, 0, time.UTC), false, Look, "clock: it shows 2026-05-01 07:30 UTC and is not synchronised"},
	} {
		d.now, d.clockSet = c.now, func() bool { return c.set }
		d.clock()
		said(c.verdict, c.want)
	}
	const perDay = 100e6
	d.space(31*perDay, perDay, 40*perDay)
	said(OK, "disk: 3.1 GB free; a month of readings takes about 3.0 GB")
	d.space(20*perDay, perDay, 40*perDay)
	said(Look, "disk: 2.0 GB free; a month of readings takes about 3.0 GB, of which a week is kept; only while the history is away more is kept, up to 4.0 GB (journal.max_mb): the disk is full within 20 days then")
	d.space(20*perDay, perDay, 10*perDay)
	said(OK, "disk: 2.0 GB free; a month of readings takes about 3.0 GB, of which a week is kept; only while the history is away more is kept, up to 1.0 GB (journal.max_mb)")
	d.space(perDay/4, perDay, perDay/8)
	said(Wrong, "disk: 0.0 GB free; ")
}
