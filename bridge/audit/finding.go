package audit

import (
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Kind is what is wrong with a record.
type Kind string

const (
	Missing    Kind = "missing"      // points of the job are not there
	Added      Kind = "added"        // points that are not of the job are there
	Order      Kind = "order"        // points are in another order
	Altered    Kind = "altered"      // a point was changed
	Unreadable Kind = "unreadable"   // this program does not write such a point
	NoSummary  Kind = "no_record"    // the closing record is missing
	Differs    Kind = "differs"      // a published figure does not come out again
	Version    Kind = "other_fold"   // another version of the calculation computed the job
	Open       Kind = "open"         // nobody has ended the job yet, as far as the audit knows
	NotEnded   Kind = "not_ended"    // the job has ended, and its end is missing
	NoOpening  Kind = "no_beginning" // the command that opened the job is missing
	Misplaced  Kind = "misplaced"    // the record is of another shop or cart
	Forged     Kind = "forged"       // a name is not the one that its token commits to
	OlderCopy  Kind = "older_copy"   // the journal was put back from an older copy during the job
	Unsigned   Kind = "unsigned"     // the closing record bears no signature, or that of a key that is not trusted
)

// Finding is one thing that is wrong. Seq is the event where it was found, 0 when
// unknown; At is the time, empty when unknown; what is wrong is said for people.
type Finding struct {
	Kind Kind   `json:"kind"`
	Seq  uint64 `json:"seq,omitempty"`
	At   string `json:"at,omitempty"`
	wire.Said
}

// SameAndComplete reports whether the audit found nothing.
func (r *Report) SameAndComplete() bool { return r.Same && r.Complete }

// StillOpen reports whether the audit found nothing but that the job has not ended yet.
func (r *Report) StillOpen() bool { return len(r.Findings) == 1 && r.Findings[0].Kind == Open }

const maxFindings = 50

// The figures and names in what a finding says.
type (
	figures = map[string]float64
	labels  = map[string]string
)

// find adds a finding, unless there are too many already, and marks the report.
func (r *Report) find(kind Kind, seq uint64, atNs int64, key string, f figures, n labels) {
	if kind == Differs || kind == Version {
		r.Same = false
	} else {
		r.Complete = false
	}
	if len(r.Findings) == maxFindings {
		return
	}
	found := Finding{Kind: kind, Seq: seq, Said: wire.Say(fillcalc.Text{Key: key, Figures: f, Names: n})}
	if atNs != 0 {
		found.At = clock(atNs)
	}
	r.Findings = append(r.Findings, found)
}
