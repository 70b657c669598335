package wire

import (
	"errors"
	"testing"

	"bayfill/fillcalc"
)

// A command that is asked back is answered with the text for people, and any other with the
// error.
func TestRefuse(t *testing.T) {
	asked := &fillcalc.Refusal{Field: "phase", Text: fillcalc.Text{Key: "refuse.skips", Names: map[string]string{"phase": "service"}}, Insist: true}
	r := Refuse(asked)
	if !r.Insist || r.Refused == nil || r.Refused.Say != "refuse.skips" || r.Error != "phase: That leaves out the phase service: is that meant?" {
		t.Errorf("%+v", r)
	}
	if r := Refuse(errors.New("l: is required")); r.Insist || r.Refused != nil || r.Error != "l: is required" {
		t.Errorf("%+v", r)
	}
}
