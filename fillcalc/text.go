package fillcalc

import "time"

// Text is something to say to people: the key of its sentence in the catalogues of
// bridge/words, and the figures and names that the sentence is about. The fold has no
// sentences of its own, so that each reader gets them in their own language and units.
type Text struct {
	Key string
	// Figures are in SI units. The end of a name is its unit: _l _l_min _kg _c _nm _s _min
	// _pct; a name without one is a plain number.
	Figures map[string]float64
	// Names are words: of sensors, fluids, people. A reader may look one up in its catalogue,
	// as the sentence says; at, and what ends in _at, is a time in RFC 3339.
	Names map[string]string
}

type figures = map[string]float64

type names = map[string]string

// timeText writes a time of the fold for a name of a [Text].
func timeText(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339) }
