// Package fillcalc turns the readings of scales and temperature probes into the
// account of a measured fill: how much fluid was drained from a transmission, how
// much was added, how certain that is, how much is still missing, and when the
// level may be judged.
//
// # The fold
//
// A job is a pure fold over its journal. Everything that happens to a cart is an
// [Event] with a number and a time. [Apply] returns the [State] after an event, and
// [Check] says whether an [Input] can be done now. [State.Volumes], [State.Budget],
// [State.Plan], [State.CheckWindow], [State.Next], [State.Remarks] and
// [State.Alerts] read a state without changing it. The same fold serves the running
// bridge, a restart, the simulator and the audit.
//
// Nothing in this package reads a clock, a file or a port, and nothing runs in the
// background. A State is a value that survives JSON without the loss of a bit, and
// a reading allocates nothing.
//
// # The same figures on every machine
//
// An audit must recompute a job to the last bit, on any processor. Go may fuse
// x*y + z into one rounding if the processor can, and math.Exp is assembly on some
// processors. So in this package each product that is added to something is
// rounded by an explicit float64 conversion, and the exponential is [Exp].
// TestNoFusedArithmetic compiles the package for arm64 and fails on any fused
// instruction. [FoldVersion] names the arithmetic.
//
// # Changing the fold
//
// TestFold in bridge/points folds recorded jobs again and fails when any published
// figure differs by one bit under the same [FoldVersion]. The jobs and how they were
// recorded are described in testdata/fold/README.md.
//
// Before the first release FoldVersion stays 1. A commit that changes figures also
// renews the recorded ones, and its message says which figures changed and why:
//
//	go test ./bridge/points -run TestFold -update
//
// After the first release such a commit raises FoldVersion as well. Records of
// released versions must stay auditable: the old fold stays readable in the binary, or
// the audit names the release that has it.
//
// # Units and uncertainties
//
// Names end in their unit: Kg, L, C (°C), KgM3, S (seconds), Ns. A U is a standard
// uncertainty by the GUM (JCGM 100:2008); those of [Volumes], [CheckWindow] and
// [State.TopUp], which are shown to people, are expanded (k = 2). Figures that are
// not known are NaN.
//
// # Models, and where to read on
//
//   - event.go, job.go, input.go, answer.go, spec.go: events, the fold itself, and what
//     each input needs and does
//   - SIGNAL.md, then signal.go, ramp.go, rest.go, change.go: what a scale's signal is
//     taken for; ledger.go, match.go, tally.go, drip.go: what that means for the accounts
//   - volumes.go, buoyancy.go, fluid.go, units.go: from shown weight to mass and volume;
//     measured.go, fielddensity.go: a density measured on the cart
//   - quality.go, alerts.go: what is not known, and what is wrong
//   - budget.go, improve.go, calibration.go: the uncertainty of a volume, what would make
//     it smaller, and what a calibration does to it; usechecks.go: what jobs say about
//     their instruments
//   - plan.go, jobplan.go, bottles.go, dipstick.go: how much to pour
//   - probe.go, trend.go, window.go, warmup.go, stages.go: the fluid's temperature,
//     the check window, and the forecast of its opening
//   - tail.go: how much will still drip out of an open pan
//   - next.go, tone.go, line.go, unmeasured.go: what the technician is asked for now;
//     record.go, entry.go: and reports; flow.go: and left out
//   - engine.go, loss.go, refusal.go: mistakes that cost a transmission
package fillcalc
