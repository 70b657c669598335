package doctor

import "time"

// minute writes a time for people.
func minute(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// earliest is when this check was written: a clock that shows an earlier time has lost it.
var earliest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func (d *doctor) clock() {
	switch {
	case d.now.Before(earliest) || d.now.Year() > 2099:
		d.wrong("doctor.clock_lost", "shown", d.now.UTC().Format(time.DateOnly))
	case !d.clockSet():
		d.look("doctor.clock_alone", "shown", minute(d.now))
	default:
		d.ok("doctor.clock_good", "shown", minute(d.now))
	}
}
