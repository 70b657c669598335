package points

// Published is a message that was published after an event, as the history keeps it.
type Published struct {
	Seq         uint64 // of the event
	Measurement string
	Fields      string // the field set of a line in line protocol
}
