package fillcalc

import (
	"fmt"
	"math"
)

// Dipstick describes a level gauge with two marks.
type Dipstick struct {
	BetweenMarksL float64 // from the lower to the upper mark
	MarksC        float64 // fluid temperature for which the marks hold
	// TotalL is the fluid in the transmission at MarksC; 0 if unknown, and then only
	// a reading at MarksC can be used.
	TotalL float64
}

// TopUpL returns how much to add to bring the level from a reading to an aim, in
// litres at referenceC, and its standard uncertainty; a negative amount is to be
// drawn off. Reading and aim are shares of the distance between the marks, 0 at
// the lower and 1 at the upper; beyond the marks the scale is assumed to continue
// evenly. A reading at tempC is first converted to the marks' temperature. The
// uncertainty is that of reading by eye, which outweighs the rest. The error names
// the argument.
func (d Dipstick) TopUpL(f Fluid, reading, aim, tempC, referenceC float64) (litres, uL float64, err error) {
	if err := within("reading", reading, -1, 2); err != nil {
		return 0, 0, fmt.Errorf("%w, counted from 0 at the lower to 1 at the upper mark: further out it says nothing", err)
	}
	if err := within("aim", aim, 0, 1); err != nil {
		return 0, 0, err
	}
	if err := within("between_marks_l", d.BetweenMarksL, 0.01, 100); err != nil {
		return 0, 0, err
	}
	shiftML := 0.0
	if tempC != d.MarksC {
		if d.TotalL == 0 {
			return 0, 0, fmt.Errorf("total_l: it is not known, so a reading at %.1f °C cannot be carried to the marks' %.1f °C: give it, or read the level there", tempC, d.MarksC)
		}
		if shiftML, _, err = LevelShift(f, d.TotalL, d.BetweenMarksL, tempC, d.MarksC); err != nil {
			return 0, 0, err
		}
	}
	marks, err := f.Density(d.MarksC)
	if err != nil {
		return 0, 0, fmt.Errorf("marks_c: %w", err)
	}
	ref, err := f.Density(referenceC)
	if err != nil {
		return 0, 0, fmt.Errorf("reference_c: %w", err)
	}
	toRef := marks / ref
	atMarksL := float64((aim-reading)*d.BetweenMarksL) + shiftML/1000
	return atMarksL * toRef, byEyeShare / math.Sqrt(3) * d.BetweenMarksL * toRef, nil
}

// LevelShift returns how much higher the level reads at tempC than it would at
// windowMidC, in millilitres and as a share of the distance between the marks (0
// if betweenMarksL is 0, which means unknown). totalL is the fluid in the
// transmission at windowMidC. The error names the argument.
func LevelShift(f Fluid, totalL, betweenMarksL, tempC, windowMidC float64) (mL, shareOfMarks float64, err error) {
	if err := within("total_l", totalL, 0.1, 1000); err != nil {
		return 0, 0, err
	}
	if betweenMarksL != 0 {
		if err := within("between_marks_l", betweenMarksL, 0.01, 100); err != nil {
			return 0, 0, err
		}
	}
	temp, err := f.Density(tempC)
	if err != nil {
		return 0, 0, fmt.Errorf("temp_c: %w", err)
	}
	mid, err := f.Density(windowMidC)
	if err != nil {
		return 0, 0, fmt.Errorf("window_mid_c: %w", err)
	}
	mL = 1000 * totalL * (mid/temp - 1)
	if betweenMarksL != 0 {
		shareOfMarks = mL / 1000 / betweenMarksL
	}
	return mL, shareOfMarks, nil
}
