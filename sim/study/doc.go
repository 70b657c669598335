// Package study measures how well the fold measures. It draws jobs from a
// distribution, plays each on a simulated cart with a simulated technician, passes
// every reading through [fillcalc.Apply], and compares the result at close with
// the truth, and with what the same technician would have found with a jug and
// counted bottles. A world is a change of the distribution: a shop with wind, other
// indicators, bottles, wrong answers. Commands, definitions and measured figures:
// testdata/measured/study.md.
//
// # What it promises
//
// A job follows from the distribution, the study's seed and the job's number alone:
// [Play] with the same three gives the same [Job] on any number of cores, so a bad
// job of a study can be replayed move by move. The package reads no clock. It knows
// the fold only by its events, its state and its answers, and judges it by the truth
// of package sim. What only some worlds have is drawn from random numbers of its own,
// so worlds can be compared job by job. The jug and the bottles of the manual method
// have random numbers of their own, too, so a change of that method changes no job.
//
// # Goroutines
//
// [Run] plays jobs on one goroutine per core and waits for all of them; when ctx ends,
// each finishes its present job. A job belongs to one goroutine.
//
// # Reading order
//
//	distribution.yaml distribution.go  which jobs there are, with limits
//	worlds.go worlds/*.yaml            what differs in other shops, and why
//	draw.go                            draws one job: cart, instruments, fluids
//	play.go                            readings into the fold, on simulated time
//	technician.go bottles.go moves.go  the work, and what disturbs it
//	truth.go                           the true cause of each change; answers questions
//	live.go                            compares the live figure with the truth while somebody pours
//	manual.go                          the jug and the bottles
//	study.go figures.go                one job and all jobs: results and figures
//
// # How to add a disturbance
//
// Give it a share and its ranges in distribution.yaml, with the ground for each
// figure, and the same fields with limits in distribution.go. Write a method in
// moves.go that acts on the cart and notes with moved what it did, under a
// kind of its own, and plan it in disturb. If it needs an answer of a new sort, judge
// in truth.go must know the right one. A change of the distribution changes all
// figures: measure them again. When its share is 0 in distribution.yaml, draw it from
// place and give it a world: then the figures of the base world stay.
package study
