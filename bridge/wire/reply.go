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
	// Refused is the error as a text of the catalogues; it is left out of errors that only a program
	// makes. Its name field, if any, is the field that has a wrong value. With Insist, the same command is done when it gives a reason (why).
	Refused *Said `json:"refused,omitempty"`
	Insist  bool  `json:"insist,omitempty"`
	// Understood are the amounts of a command that was done, and what an undo took back.
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
	return Reply{Error: fmt.Sprintf("%.500s", err.Error())} // it may repeat what was sent
}
