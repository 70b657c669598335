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

// of returns what is kept of a name, as the history gives it back.
func (k Keep) of(name string) string {
	name = oneLine.Replace(strings.ToValidUTF8(name, "\uFFFD"))
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

// oneLine replaces what a line of the history cannot hold.
var oneLine = strings.NewReplacer("\n", " ", "\r", " ", "\t", " ")

// Name is a token and the text that it stands for.
type Name struct{ Token, Text string }

// Names holds texts by their tokens.
type Names map[string]string

// Token returns the token of a name, such as t-0123456789abcdef-0123456789abcdef: the kind,
// who it is, and a commitment to what is kept of the name. The same name under the same
// policy always gives the same token. An empty name has no token.
func Token(key []byte, kind, name string, keep Keep) string {
	if name == "" {
		return ""
	}
	who := kind + "-" + mac(key, kind, name)
	return who + "-" + mac(key, who, keep.of(name))
}

// Tokens returns the tokens that a name has under each policy.
func Tokens(key []byte, kind, name string) (list []string) {
	for _, keep := range []Keep{KeepFull, KeepShort, KeepHash} {
		list = append(list, Token(key, kind, name, keep))
	}
	return list
}

// mac returns the first 16 hexadecimal digits of an HMAC-SHA-256.
func mac(key []byte, about, text string) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(about + "\x00" + text))
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// Who returns the part of a token that is the same whatever is kept of the name.
func Who(token string) string { return token[:max(0, strings.LastIndexByte(token, '-'))] }

// commits reports whether a token commits to a text.
func commits(key []byte, token, text string) bool {
	who := Who(token)
	return who != "" && hmac.Equal([]byte(token[len(who)+1:]), []byte(mac(key, who, text)))
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
	for _, p := range Places(in) {
		name, keep := *p.Token, n.Policy.Technician
		if p.Kind == VehicleToken {
			keep = n.Policy.Vehicle
		}
		if name == "" {
			continue
		}
		*p.Token = Token(n.Key, p.Kind, name, keep)
		n.Current[*p.Token] = name
		if text := keep.of(name); text != "" {
			kept = append(kept, Name{*p.Token, text})
		}
	}
	return kept
}

// Place is a place in an input that holds a token, and the field of its point that holds the
// text.
type Place struct {
	Field, Kind string
	Token       *string
}

// Places lists the places of an input that hold tokens.
func Places(in *fillcalc.Input) []Place {
	list := []Place{{ByField, TechnicianToken, &in.By}}
	if in.Job != nil {
		list = append(list, Place{VehicleField, VehicleToken, &in.Job.Vehicle}, Place{OtherFluidByField, TechnicianToken, &in.Job.OtherFluidBy})
	}
	return list
}

// Fields of an input's point that hold names, beside its body. The chain covers the body
// only, so that names can be erased.
const (
	ByField           = "by"
	VehicleField      = "vehicle"
	OtherFluidByField = "other_fluid_by"
)

// Fields lists them.
var Fields = []string{ByField, VehicleField, OtherFluidByField}

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
