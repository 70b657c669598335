package wire

// Reply is the answer to a command, on replies/{id}; on replies/refused, with a null
// ID, when the command has no usable id.
type Reply struct {
	ID    *string `json:"id"`
	OK    bool    `json:"ok"`
	Error string  `json:"error,omitempty"`
	Job   string  `json:"job,omitempty"` // the job's id after the command
}
