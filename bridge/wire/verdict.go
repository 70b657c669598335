package wire

import (
	"slices"

	"bayfill/fillcalc"
)

// JobVerdict is what a job would get if it were closed now, or what it got: passed, failed
// or not_verified, with the reasons why it is not passed, and the work of which nothing is on
// record.
type JobVerdict struct {
	Result  string      `json:"result"`
	Reasons []JobReason `json:"reasons"`
	Missing []string    `json:"missing"` // items
}

// JobReason is one reason why a job is not passed.
type JobReason struct {
	Rule   string `json:"rule"`
	Result string `json:"result"` // failed or not_verified
	Said
}

// The message has the worst reasons, at most so many and at most so many bytes of JSON: each
// undecided change is one.
const (
	maxReasons     = 12
	maxReasonBytes = 3 << 10
)

// verdictOf returns nil before the level is checked: there is nothing to judge yet.
func verdictOf(s *fillcalc.State) *JobVerdict {
	if p := s.Job.Phase; p != fillcalc.Checking && p != fillcalc.Closed && p != fillcalc.Abandoned {
		return nil
	}
	v := s.Verdict(fillcalc.DefaultToleranceL)
	m := &JobVerdict{Result: string(v.Outcome), Missing: textsOf(s.Missing()...)}
	if m.Missing == nil {
		m.Missing = []string{} // null is not an array
	}
	var all []JobReason
	for _, outcome := range []fillcalc.Outcome{fillcalc.NotVerified, fillcalc.Failed} { // the worst last
		for _, c := range slices.Backward(v.Criteria) {
			for _, r := range slices.Backward(c.Reasons) {
				if c.Counts && r.Outcome.ForJob() == outcome {
					all = append(all, JobReason{c.Name, string(outcome), Say(r.Text)})
				}
			}
		}
	}
	m.Reasons, _ = newest(all, maxReasons, maxReasonBytes, func(r JobReason) JobReason { return r })
	slices.Reverse(m.Reasons)
	return m
}
