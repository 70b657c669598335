// Package fillcalc turns weights and temperatures into the account of a
// measured fill: how much fluid left a transmission, how much went back in,
// and how sure that is.
//
// Everything here is pure calculation. Nothing reads a clock, a file or a
// port: time arrives with each [Event]. [Apply] folds events into a [State],
// and the same fold serves the running bridge, a restart, the simulator and
// the audit.
//
// # The same numbers on every machine
//
// An audit must recompute a job to the last bit, on whatever processor it
// runs. Go may fuse x*y + z into one rounding where the processor can, and
// math.Exp has its own assembly on some of them. So in this package each
// product that feeds a sum is rounded by an explicit float64 conversion, and
// the exponential is [Exp]. TestNoFusedArithmetic reads the code generated for
// arm64 and fails on any fused instruction.
package fillcalc
