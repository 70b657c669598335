package names

// State is what is known about the text behind a token.
type State string

const (
	Proven    State = "proven"
	NotProven State = "not_proven" // the key is not at hand
	NotKept   State = "not_kept"   // the policy kept only the token
	Gone      State = "erased"     // a text was kept and is there no more
	Forged    State = "forged"     // the token commits to another text
)

// Erased stands where a name stood.
const Erased = "erased"

// Prove holds a text against its token; empty: there is none. The key is nil when it is not
// at hand.
func Prove(key []byte, token, text string) State {
	none := text == "" || text == Erased
	switch {
	case key == nil && text == Erased:
		return Gone
	case key == nil:
		return NotProven
	case text != "" && commits(key, token, text):
		return Proven
	case none && commits(key, token, ""):
		return NotKept
	case none:
		return Gone
	}
	return Forged
}
