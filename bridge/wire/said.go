package wire

import (
	"fmt"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Said is something that is said to people: the key of its sentence, the figures and names
// in it, and the sentence in English and SI units for readers without a catalogue.
type Said struct {
	Say  string `json:"say"`
	Text string `json:"text"`
	// The end of a figure's name is its unit.
	Figures map[string]Number `json:"figures,omitempty"`
	Names   map[string]string `json:"names,omitempty"`
}

// maxName bounds a name, in characters: a reason may be a whole page from a proxy.
const maxName = 500

// Say makes a text of the fold or the bridge ready to be sent. A zero text is nothing said.
func Say(t fillcalc.Text) Said {
	m := Said{Say: t.Key}
	for name, value := range t.Names {
		if m.Names == nil {
			m.Names = map[string]string{}
		}
		m.Names[name] = fmt.Sprintf("%.*s", maxName, value)
	}
	m.Text = words.Plain.Say(fillcalc.Text{Key: t.Key, Figures: t.Figures, Names: m.Names})
	for name, value := range t.Figures {
		if m.Figures == nil {
			m.Figures = map[string]Number{}
		}
		m.Figures[name] = Number(value)
	}
	return m
}

// For returns the sentence for a reader. A key that this program does not know comes from a
// newer one: then the sentence is as sent.
func (m *Said) For(r words.Reader) string {
	if !words.Knows(m.Say) {
		return m.Text
	}
	t := fillcalc.Text{Key: m.Say, Figures: map[string]float64{}, Names: m.Names}
	for name, value := range m.Figures {
		t.Figures[name] = float64(value)
	}
	return r.Say(t)
}
