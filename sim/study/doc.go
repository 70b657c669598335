// Package study measures how well the fold measures. Jobs are drawn from a
// distribution, each is played on a simulated cart by a simulated technician,
// every reading goes through [fillcalc.Apply], and what the fold says at close
// is held against the truth, beside what the same technician would have found
// with a jug and counted bottles.
//
// In reading order:
//
//	distribution.yaml distribution.go  what jobs there are
//	draw.go                            one job drawn: cart, instruments, fluids
//	play.go                            readings into the fold, on simulated time
//	technician.go moves.go             what is done, and what disturbs it
//	truth.go                           what each change really was
//	manual.go                          the jug and the bottles
//	figures.go study.go                all jobs together
//
// A job follows from the study's seed and its own number alone.
package study
