package words

import (
	"fmt"
	"maps"
	"strings"

	"bayfill/fillcalc"
)

// Error is an error that people meet. In its sentence {why} is what Cause says.
type Error struct {
	fillcalc.Text
	Cause error
}

// NewError returns the error of a key. pairs are the names in its sentence, each with its value:
// a number becomes a figure, an error the cause, anything else a name.
func NewError(key string, pairs ...any) *Error {
	e := &Error{Text: fillcalc.Text{Key: key, Figures: map[string]float64{}, Names: map[string]string{}}}
	for i := 0; i+1 < len(pairs); i += 2 {
		name := pairs[i].(string)
		switch value := pairs[i+1].(type) {
		case error:
			e.Cause = value
		case int:
			e.Figures[name] = float64(value)
		case float64:
			e.Figures[name] = value
		default:
			e.Names[name] = fmt.Sprint(value)
		}
	}
	return e
}

// Error says it in English and SI units.
func (e *Error) Error() string { return Plain.Fault(e) }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Fault says an error in the reader's words: an [Error], a refusal, or what the operating system
// reports, through whatever wraps them. What a server or a library says else stays as it is.
func (r Reader) Fault(err error) string {
	if text, known := r.system(err); known {
		return text
	}
	switch e := err.(type) {
	case nil:
		return ""
	case *fillcalc.Refusal:
		return at(e.Field, r.Say(e.Text))
	case interface{ Said() fillcalc.Text }:
		return r.Say(e.Said())
	case *Error:
		t := e.Text
		if e.Cause != nil {
			t.Names = maps.Clone(t.Names)
			t.Names["why"] = r.Fault(e.Cause)
		}
		return r.Say(t)
	case interface{ Unwrap() error }:
		return r.inside(err.Error(), e.Unwrap())
	case interface{ Unwrap() []error }:
		said, rest := "", err.Error()
		for _, one := range e.Unwrap() {
			if before, after, found := strings.Cut(rest, one.Error()); found {
				said, rest = said+before+r.Fault(one), after
			}
		}
		return said + rest
	}
	return err.Error()
}

// inside puts the reader's words for an error into the text of one that wraps it.
func (r Reader) inside(text string, err error) string {
	if err == nil {
		return text
	}
	return strings.Replace(text, err.Error(), r.Fault(err), 1)
}
