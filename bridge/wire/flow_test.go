package wire

import (
	"testing"

	"bayfill/fillcalc"
)

// TestCorrectedRecord checks that a record whose place a later one takes says so, and no other.
func TestCorrectedRecord(t *testing.T) {
	var s fillcalc.State
	s.Job.Records = []fillcalc.Record{
		{Item: fillcalc.Filter, Result: fillcalc.NotDone}, {Item: fillcalc.Magnet, Result: fillcalc.Done}, {Item: fillcalc.Filter, Result: fillcalc.Done},
	}
	for i, r := range FlowOf(&s).Records {
		if r.Corrected != (i == 0) {
			t.Errorf("record %d: corrected %t", i, r.Corrected)
		}
	}
}
