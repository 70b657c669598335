package audit

import (
	"cmp"
	"maps"
	"slices"

	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Trust is what an audit has at hand besides the record.
type Trust struct {
	NameKey []byte         // of the names' tokens; nil: no name can be proven
	Keys    []string       // public keys that may sign closing records; empty: none is known
	Copies  []points.Point // closing records of the cart from other places; nil: there are none
}

// closedSince reports whether a job that was opened then, or a later one, has a closing record
// in another place. A cart has one job at a time.
func (t *Trust) closedSince(openedNs int64) bool {
	return slices.ContainsFunc(t.Copies, func(p points.Point) bool {
		ns, _ := p.Fields["opened_ns"].(int64)
		return ns >= openedNs
	})
}

// Signature says who signed the closing record.
type Signature struct {
	State SignatureState `json:"state"`
	Key   string         `json:"key,omitempty"` // public, 64 hexadecimal digits
}

// SignatureState is what is known about a signature.
type SignatureState string

const (
	NoSignature SignatureState = "none"
	BadKey      SignatureState = "not_trusted" // none of the trusted keys
	Broken      SignatureState = "broken"      // the key did not sign this record
	UnknownKey  SignatureState = "unknown_key" // it holds, and nobody vouches for the key
	Trusted     SignatureState = "trusted"
)

// checkSignature looks who signed the closing record.
func (r *Report) checkSignature(rec *Record, trust *Trust) {
	r.Signature.State = NoSignature
	if rec.Summary == nil {
		return
	}
	find := func(kind Kind, key string, n labels) { r.find(kind, 0, rec.Summary.AtNs, key, nil, n) }
	key, err := rec.Summary.Fields.SignedBy()
	r.Signature.Key = key
	switch {
	case err != nil:
		r.Signature.State = Broken
		find(Altered, "finding.signature", labels{"why": err.Error()})
	case key == "":
		find(Unsigned, "finding.unsigned", nil)
	case len(trust.Keys) == 0:
		r.Signature.State = UnknownKey
	case slices.Contains(trust.Keys, key):
		r.Signature.State = Trusted
	default:
		r.Signature.State = BadKey
		find(Unsigned, "finding.not_trusted", labels{"key": key})
	}
}

// checkCopy compares the closing record with its copies in other places.
func (r *Report) checkCopy(rec *Record, trust *Trust) {
	if rec.Summary == nil {
		return
	}
	for _, p := range trust.Copies {
		if p.AtNs != rec.Summary.AtNs || p.Fields["job"] != r.Job {
			continue
		}
		all := maps.Clone(p.Fields)
		maps.Copy(all, rec.Summary.Fields)
		for _, name := range slices.Sorted(maps.Keys(all)) {
			if was, is := p.Fields[name], rec.Summary.Fields[name]; !sameValue(was, is) {
				r.find(Altered, 0, p.AtNs, "finding.copy_differs", nil, labels{"field": name, "was": valueText(was), "is": valueText(is)})
				return
			}
		}
	}
}

// NameProof is the name behind a token, and whether it is proven.
type NameProof struct {
	Token string      `json:"token"`
	Text  string      `json:"text,omitempty"` // empty: none is kept, or it is forged
	State names.State `json:"state"`
}

// proveNames holds the texts in an input's point against the tokens in its body. Even without
// the key, two texts for one token prove that one is forged.
func (r *Report) proveNames(p *points.Point, e *fillcalc.Event, key []byte) {
	for _, place := range names.Places(e.Input) {
		text, _ := p.Fields[place.Field].(string)
		token := *place.Token
		if token == "" {
			if text != "" {
				r.find(Forged, e.Seq, e.AtNs, "finding.name_stray", nil, labels{"field": place.Field})
			}
			continue
		}
		is := NameProof{token, text, names.Prove(key, token, text)}
		if text == names.Erased && is.State != names.Proven {
			is.Text = ""
		}
		at := slices.IndexFunc(r.Names, func(n NameProof) bool { return n.Token == token })
		if at < 0 {
			at, r.Names = len(r.Names), append(r.Names, NameProof{Token: token})
		}
		was := &r.Names[at]
		contradicts := was.Text != "" && is.Text != "" && was.Text != is.Text
		switch {
		case was.State == names.Forged:
		case is.State == names.Forged || contradicts:
			*was = NameProof{Token: token, State: names.Forged}
			r.find(Forged, e.Seq, e.AtNs, "finding.name_forged", nil, labels{"field": place.Field, "token": names.Who(token)})
		case was.Text == "":
			*was = is
		}
	}
}

// named returns the job's state with names in the place of tokens, as far as they are proven,
// and says of the others why not.
func (r *Report) named(reader words.Reader) fillcalc.State {
	known := names.Names{}
	for _, n := range r.Names {
		known[n.Token] = n.For(reader)
	}
	return known.Named(r.state)
}

// For returns the name for a reader, or what stands in its place.
func (n NameProof) For(r words.Reader) string {
	if n.State == names.Proven {
		return n.Text
	}
	return r.Say(fillcalc.Text{Key: "name." + string(n.State), Names: labels{"name": cmp.Or(n.Text, names.Who(n.Token))}})
}

// nameOf returns the name behind a token for a reader.
func (r *Report) nameOf(token string, reader words.Reader) string {
	if at := slices.IndexFunc(r.Names, func(n NameProof) bool { return n.Token == token }); at >= 0 {
		return r.Names[at].For(reader)
	}
	return token
}
