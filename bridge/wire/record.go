package wire

// Record is the message of the leaf record: the closing record of the newest job that has
// ended, as the history keeps it. Whoever stores these messages has what an audit needs to
// tell a forged record: the line is in InfluxDB's line protocol and bears the chain's end and
// the signature.
type Record struct {
	Job  string `json:"job"` // empty: no job has ended yet
	Line string `json:"line"`
}
