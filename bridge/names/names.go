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

// Keep says how much of a name is kept on disk and in the history.
type Keep string

const (
	KeepFull  Keep = "full"
	KeepShort Keep = "short" // the first letter of each word
	KeepHash  Keep = "hash"  // only the token
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

// Name is a token and the text that it stands for.
type Name struct{ Token, Text string }

// Names holds texts by their tokens.
type Names map[string]string

// Token returns the token of a name, such as t-0123456789abcdef: the kind and the first
// 16 hexadecimal digits of an HMAC-SHA-256 over kind and name. The same name always
// gives the same token, and without the key nobody can tell the name. An empty name has
// no token.
func Token(key []byte, kind, name string) string {
	if name == "" {
		return ""
	}
	h := hmac.New(sha256.New, key)
	h.Write([]byte(kind + "\x00" + name))
	return kind + "-" + hex.EncodeToString(h.Sum(nil)[:8])
}

// Kinds of tokens.
const (
	TechnicianToken = "t"
	VehicleToken    = "v"
)

// Hider replaces names by tokens. It remembers the full names in memory while the
// program runs.
type Hider struct {
	Key     []byte // of the tokens
	Policy  Policy
	Current Names // must not be nil
}

// Policy says how much is kept of each kind of name.
type Policy struct{ Technician, Vehicle Keep }

// Hide replaces the names in an input by tokens and returns what the policy keeps of
// them.
func (n *Hider) Hide(in *fillcalc.Input) (kept []Name) {
	hide := func(name *string, kind string, keep Keep) {
		if *name == "" {
			return
		}
		t := Token(n.Key, kind, *name)
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

// Named returns a state with names instead of tokens, for people to read. Unknown tokens
// stay.
func (n Names) Named(s fillcalc.State) fillcalc.State {
	show := func(name *string) {
		if text, known := n[*name]; known {
			*name = text
		}
	}
	j := &s.Job
	show(&j.Spec.Vehicle)
	show(&j.Spec.OtherFluidBy)
	show(&j.By)
	j.Changes, j.Clears, j.Entries, j.Records, j.Phases = slices.Clone(j.Changes), slices.Clone(j.Clears), slices.Clone(j.Entries), slices.Clone(j.Records), slices.Clone(j.Phases)
	for i := range j.Changes {
		show(&j.Changes[i].By)
	}
	for i := range j.Clears {
		show(&j.Clears[i].By)
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
	j.TakenBack = slices.Clone(j.TakenBack)
	for i := range j.TakenBack {
		b := &j.TakenBack[i]
		show(&b.By)
		b.Records = slices.Clone(b.Records)
		for k := range b.Records {
			show(&b.Records[k].By)
		}
		if b.Entry != nil {
			entry := *b.Entry
			show(&entry.By)
			b.Entry = &entry
		}
		if b.Phase != nil {
			phase := *b.Phase
			show(&phase.By)
			b.Phase = &phase
		}
	}
	return s
}
