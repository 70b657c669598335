package fillcalc

// Refusal is the error for an input that is possible but, as things stand, probably a
// mistake. It is said to people, so it is a text of the catalogues.
type Refusal struct {
	Field string // of the input
	Text
	// Insist says that the same input is done with a reason (why), which goes on record.
	Insist bool
}

// refused refuses an input for good, as things stand.
func refused(field, key string, f figures, n names) error {
	return &Refusal{Field: field, Text: Text{key, f, n}}
}

// Error returns the field and the key, for a log.
func (r *Refusal) Error() string { return r.Field + ": " + r.Key }
