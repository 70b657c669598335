package wire

import (
	"errors"
	"fmt"

	"bayfill/fillcalc"
)

// Reply is the answer to a command, on replies/{id}; on replies/refused, with a null
// ID, when the command has no usable id.
type Reply struct {
	ID    *string `json:"id"`
	OK    bool    `json:"ok"`
	Error string  `json:"error,omitempty"`
	// Refused is the error as a text of the catalogues, of what a person may have got wrong. With
	// Insist, the same command is done when it gives a reason (why).
	Refused *Said `json:"refused,omitempty"`
	Insist  bool  `json:"insist,omitempty"`
	// Understood are the amounts of a command that was done.
	Understood []Understood `json:"understood,omitempty"`
	Job        string       `json:"job,omitempty"` // the job's id after the command
}

// Refuse returns the answer to a command that was not done.
func Refuse(err error) (r Reply) {
	var asked *fillcalc.Refusal
	if errors.As(err, &asked) {
		said := Say(asked.Text)
		return Reply{Error: asked.Field + ": " + said.Text, Refused: &said, Insist: asked.Insist}
	}
	r = Reply{Error: fmt.Sprintf("%.500s", err.Error())} // it may repeat what was sent
	var typed typedError
	if errors.As(err, &typed) {
		said := Say(typed.said)
		r.Refused = &said
	}
	return r
}
