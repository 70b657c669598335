package wire

import "bayfill/fillcalc"

// JobEntry is what somebody entered because no sensor sees it.
type JobEntry struct {
	At    string `json:"at"`
	What  string `json:"what"`
	L     Number `json:"l"`
	UL    Number `json:"u_l"` // standard uncertainty
	Share Number `json:"share"`
	// Opening is what was seen at the check opening.
	Opening string `json:"opening,omitempty"`
	By      string `json:"by,omitempty"`
}

// The message has the newest entries, at most so many and at most so many bytes of
// JSON.
const (
	maxEntries    = 50
	maxEntryBytes = 6 << 10
)

// entriesOf returns the newest of the job's entries, the oldest first, and how many
// it leaves out.
func entriesOf(s *fillcalc.State) (list []JobEntry, leftOut int) {
	return newest(s.Job.Entries, maxEntries, maxEntryBytes, func(e fillcalc.Entry) JobEntry {
		return JobEntry{Timestamp(e.AtNs), string(e.What), Number(e.L), Number(e.UL), Number(e.Share), string(e.Opening), e.By}
	})
}
