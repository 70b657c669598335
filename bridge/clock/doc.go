// Package clock gives a cart its event time: the computer's clock is read once, at the
// start, and carried on by the monotonic clock from there. So event time never jumps
// when the computer's clock is set, which would disturb a pour and the dates of a job.
//
// The caller chooses the anchor later than everything in the journal. When event time
// and the computer's clock differ, or when the computer's clock has never been set from
// outside, the cart raises an alert and notes the difference as an input ([Clock.Ahead]);
// the job's closing record and its sheet show it.
//
// A clock may run faster than real time, for tests, or stand still until its caller moves it
// ([NewDriven]), for the demo. Any goroutine may use a Clock. The package starts no
// goroutines.
package clock
