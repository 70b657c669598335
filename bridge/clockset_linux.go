package bridge

import "golang.org/x/sys/unix"

// ClockSet reports whether the computer's clock was set from outside, for example from
// the network, and is still kept in step. When the kernel cannot tell, it counts as set.
func ClockSet() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err != nil || state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}
