package points

// Published is what went out on a leaf after an event, as line protocol fields
// for the history.
type Published struct {
	Seq         uint64
	Measurement string
	Fields      string
}
