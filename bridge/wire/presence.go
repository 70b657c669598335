package wire

// Presence is the message of the leaf presence. The will that the broker publishes
// when a connection is lost is one too: not online, and without a since.
type Presence struct {
	Online   bool    `json:"online"`
	Since    *string `json:"since"`
	Session  string  `json:"session"` // of one connection: its will has the same
	Version  string  `json:"version"`
	Contract int     `json:"contract"`
	Why      string  `json:"why,omitempty"` // after a clean stop
}
