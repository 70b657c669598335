package fillcalc

// Refusal is the error for an input that is possible but, as things stand, probably a
// mistake. It is said to people, so it is a text of the catalogues.
type Refusal struct {
	Field string // of the input
	Text
	// Insist says that the same input is done with a reason (why), which goes on record.
	Insist bool
}

// Error returns the field and the key, for a log.
func (r *Refusal) Error() string { return r.Field + ": " + r.Key }
