package bridge

import "golang.org/x/sys/unix"

// ClockSet tells whether the computer's clock has been set from outside, as from
// the network, and is still held to that. Where the kernel cannot tell it counts as
// set.
func ClockSet() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err != nil || state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}
