// Package study measures how well the fold measures. It draws jobs from a
// distribution, plays each on a simulated cart with a simulated technician, passes
// every reading through [fillcalc.Apply], and compares the result at close with
// the truth, and with what the same technician would have found with a jug and
// counted bottles. Commands, definitions and measured figures:
// testdata/measured/study.md.
//
// # What it promises
//
// A job follows from the distribution, the study's seed and the job's number alone:
// [Play] with the same three gives the same [Job] on any number of cores, so a bad
// job of a study can be replayed move by move. The package reads no clock. It knows
// the fold only by its events, its state and its answers, and judges it by the truth
// of package sim. The jug and the bottles have random numbers of their own, so a
// change of the manual method changes no job.
//
// # Goroutines
//
// [Run] plays jobs on one goroutine per core and waits for all of them; when ctx ends,
// each finishes its present job. A job belongs to one goroutine.
//
// # Reading order
//
//	distribution.yaml distribution.go  which jobs there are, with limits
//	draw.go                            draws one job: cart, instruments, fluids
//	play.go                            readings into the fold, on simulated time
//	technician.go moves.go             the work, and what disturbs it
//	truth.go                           the true cause of each change; answers questions
//	rest.go                            compares tally and truth whenever all is at rest
//	manual.go                          the jug and the bottles
//	study.go figures.go                one job and all jobs: results and figures
//
// # How to add a disturbance
//
// Give it a share and its ranges in distribution.yaml, with the ground for each
// figure, and the same fields with limits in distribution.go. Write a method in
// moves.go that acts on the cart and notes with moved or streamed what it did, under a
// kind of its own, and plan it in disturb. If it needs a decision of a new sort, judge
// in truth.go must know the right one. A change of the distribution changes all
// figures: measure them again.
package study
