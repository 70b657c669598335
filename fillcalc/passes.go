package fillcalc

import "fmt"

// mostPasses is where a search gives up: nobody drains and fills that often.
const mostPasses = 100

// FreshShare is how much of a transmission's fluid is fresh after passes of
// draining and filling up again, when each drains drainedL of the whole totalL:
//
//	share = 1 − (1 − d₁/V)·(1 − d₂/V)· …
//
// It assumes perfect mixing between passes: the engine has run through the gears
// long enough that what is drained next is of the same mixture everywhere. Where
// the converter hardly mixes, less is fresh than this. Volumes are all at one
// temperature. The error names the argument.
func FreshShare(totalL float64, drainedL ...float64) (share float64, err error) {
	old := 1.0
	for i, d := range drainedL {
		left, err := leftShare(totalL, fmt.Sprintf("drained_l[%d]", i), d)
		if err != nil {
			return 0, err
		}
		old = float64(old * left)
	}
	return 1 - old, nil
}

// PassesFor is how many passes that drain drainedL of totalL each are needed
// until at least a share of the fluid is fresh, under the assumption of
// [FreshShare]. The error names the argument.
func PassesFor(totalL, drainedL, share float64) (passes int, err error) {
	if !(0 < share && share < 1) {
		return 0, fmt.Errorf("share: %g is not above 0 and below 1: draining and filling never changes the last of it", share)
	}
	left, err := leftShare(totalL, "drained_l", drainedL)
	if err != nil {
		return 0, err
	}
	// A share that is met exactly must not cost a pass for its last bit.
	const slack = 1e-12
	old := 1.0
	for passes = 1; passes <= mostPasses; passes++ {
		old = float64(old * left)
		if old <= 1-share+slack {
			return passes, nil
		}
	}
	return 0, fmt.Errorf("drained_l: %g of %g L is too little: %d passes would not make a share of %g fresh",
		drainedL, totalL, mostPasses, share)
}

// leftShare is the share of the fluid that stays inside in one pass.
func leftShare(totalL float64, field string, drainedL float64) (float64, error) {
	if err := within("total_l", totalL, 0.1, 1000); err != nil {
		return 0, err
	}
	if !(0 < drainedL && drainedL < totalL) {
		return 0, fmt.Errorf("%s: %g is not above 0 and below total_l %g: a drain takes a part of the whole", field, drainedL, totalL)
	}
	return 1 - drainedL/totalL, nil
}
