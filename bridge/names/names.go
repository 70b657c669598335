package names

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"unicode/utf8"

	"bayfill/fillcalc"
)

// Events never hold who did something, or whose vehicle it was, but a token for
// it. The names lie beside the events, outside the chain, and only as far as the
// shop wants them kept: so they can be erased, and the proof stands.

// Keep is how much of a name is kept on disk and in the history.
type Keep string

const (
	KeepFull  Keep = "full"
	KeepShort Keep = "short" // the first letter of each word
	KeepHash  Keep = "hash"  // nothing but the token
)

func (k Keep) of(name string) string {
	switch k {
	case KeepFull:
		return name
	case KeepShort:
		var initials []string
		for _, word := range strings.Fields(name) {
			_, n := utf8.DecodeRuneInString(word)
			initials = append(initials, word[:n]+".")
		}
		return strings.Join(initials, " ")
	}
	return ""
}

// Name is what a token stands for.
type Name struct{ Token, Text string }

// Names are texts by their tokens.
type Names map[string]string

// token is the same for the same name, and tells nobody who has not the key.
func Token(key []byte, of, name string) string {
	if name == "" {
		return ""
	}
	h := hmac.New(sha256.New, key)
	h.Write([]byte(of + "\x00" + name))
	return of + "-" + hex.EncodeToString(h.Sum(nil)[:8])
}

// Tokens of the two kinds begin with these.
const (
	TechnicianToken = "t"
	VehicleToken    = "v"
)

// identities turns names into tokens, and remembers them for as long as the
// program runs.
type Hider struct {
	Key     []byte
	Policy  Policy
	Current Names
}

// Policy is how much is kept of each kind of name.
type Policy struct{ Technician, Vehicle Keep }

// hide puts tokens in the place of an input's names, and returns what is to be
// kept of them.
func (n *Hider) Hide(in *fillcalc.Input) (kept []Name) {
	hide := func(name *string, of string, keep Keep) {
		if *name == "" {
			return
		}
		t := Token(n.Key, of, *name)
		n.Current[t] = *name
		if text := keep.of(*name); text != "" {
			kept = append(kept, Name{t, text})
		}
		*name = t
	}
	hide(&in.By, TechnicianToken, n.Policy.Technician)
	if in.Job != nil {
		hide(&in.Job.Vehicle, VehicleToken, n.Policy.Vehicle)
		hide(&in.Job.OtherFluidBy, TechnicianToken, n.Policy.Technician)
	}
	return kept
}

// Named is a state with names in the place of their tokens, for people to read.
func (n Names) Named(s fillcalc.State) fillcalc.State {
	show := func(name *string) {
		if text, known := n[*name]; known {
			*name = text
		}
	}
	j := &s.Job
	show(&j.Spec.Vehicle)
	show(&j.Spec.OtherFluidBy)
	j.Steps, j.Entries, j.Records, j.Phases = slices.Clone(j.Steps), slices.Clone(j.Entries), slices.Clone(j.Records), slices.Clone(j.Phases)
	for i := range j.Steps {
		show(&j.Steps[i].By)
	}
	for i := range j.Entries {
		show(&j.Entries[i].By)
	}
	for i := range j.Records {
		show(&j.Records[i].By)
	}
	for i := range j.Phases {
		show(&j.Phases[i].By)
	}
	return s
}
