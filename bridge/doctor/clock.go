package doctor

import "time"

// earliest is when this check was written: a clock that shows an earlier time has lost it.
var earliest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func (d *doctor) clock() {
	switch {
	case d.now.Before(earliest) || d.now.Year() > 2099:
		d.wrong("clock: it shows %s: set it, because events keep that time for ever", d.now.UTC().Format(time.DateOnly))
	case !d.clockSet():
		d.look("clock: it shows %s and is not synchronised: enable a time service (timedatectl set-ntp true), or set it by hand", d.now.UTC().Format("2006-01-02 15:04 UTC"))
	default:
		d.ok("clock: %s, synchronised as far as the system knows", d.now.UTC().Format("2006-01-02 15:04 UTC"))
	}
}
