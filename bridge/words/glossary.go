package words

import (
	"strings"

	"bayfill/fillcalc"
)

// Topic is a part of the glossary.
type Topic struct {
	Title string
	Terms []Term
}

// Term is a word that people meet, and what it means. Code is how programs and the command
// line write it, empty when they do not. A condition of an instrument has a code only: its
// word is a sentence.
type Term struct{ Word, Code, Means string }

// Heading is the word with its code, as in "Gone again (gone)".
func (t Term) Heading() string {
	switch {
	case t.Word == "":
		return t.Code
	case t.Code == "" || t.Code == t.Word:
		return t.Word
	}
	return t.Word + " (" + t.Code + ")"
}

// glossary lists the terms by topic. A plain name stands under glossary.NAME in the
// catalogue, with the code that it has in messages behind an equals sign; a name with a point is
// the key of a word that has a place elsewhere, and its code is what follows the point.
var glossary = []struct {
	topic string
	terms []string
}{
	{"cart", []string{"cart", "caddy", "supply", "fluid_probe=transmission-temp", "coolant_probe=coolant-temp", "bridge", "broker", "journal", "history", "live", "alert=alerts", "caution=cautions"}},
	{"weighing", []string{"settled", "clear=clear", "change=changes", "not_known=undecided_l", "zero=baseline", "reference=reference_c", "plus_minus=_u_l", "standard=u_l", "flow=drained_l_min", "calibration", "by_use=checks_by_use"}},
	{"change", []string{"answer.fluid", "answer.gone", "answer.thing", "answer.container", "answer.bottle"}},
	{"job", []string{"job", "service_data=service_data", "came_out=drained_l", "went_in=added_l", "balance=balance_l", "target=target_l", "first_fill=first_fill_l", "to_pour=remaining_l",
		"too_much=remaining_l", "typical=typical_l", "usual=usual", "room=caddy_free_l", "pass", "ran_out=overflow_l", "insist=why", "by=by"}},
	{"phase", []string{"phase.ready", "phase.draining", "phase.service", "phase.filling", "phase.running", "phase.checking", "phase.closed", "phase.abandoned"}},
	{"entered", []string{"what.spilled", "what.retained", "what.level", "what.bottle", "what.dipstick", "what.opening", "what.flush"}},
	{"window", []string{"check_window=window", "window.below", "window.nearing", "window.open", "window.closing", "window.above", "window.blind", "window.none", "forecast=opens_in_s", "level_shift=level_shift_ml"}},
	{"record", []string{"item.level_before", "item.filter", "item.seal", "item.magnet", "item.pan", "item.flange", "item.gasket", "item.torque", "item.leaks", "item.level",
		"result.done", "result.not_done", "result.not_needed", "result.right", "result.low", "result.high"}},
	{"verdict", []string{"verdict=verdict", "outcome.passed", "outcome.not_recorded", "outcome.not_verified", "outcome.failed", "criterion.amount", "criterion.level", "criterion.decisions",
		"criterion.calibrations", "criterion.sensors", "criterion.record", "tolerance", "override", "closing_record=bayfill_job", "audit", "ticket", "stock"}},
	{"quality", []string{"quality.good", "quality.no_job", "quality.not_open", "quality.closed_unmeasured", "quality.no_probe", "quality.no_reading", "quality.silent", "quality.damaged",
		"quality.fault", "quality.overload", "quality.underload", "quality.unsettled", "quality.settling", "quality.away", "quality.too_fast", "quality.out_of_range",
		"quality.stands_still", "quality.stands_in", "quality.watched"}},
}

// glossaryKeys returns the keys of a term of the list: its word, and what it means.
func glossaryKeys(term string) (word, means string) {
	name, _, _ := strings.Cut(term, "=")
	if _, _, elsewhere := strings.Cut(name, "."); elsewhere {
		return name, "glossary." + strings.ReplaceAll(name, ".", "_") + "_means"
	}
	return "glossary." + name, "glossary." + name + "_means"
}

// GlossaryKeys lists the keys that only the glossary says.
func GlossaryKeys() (keys []string) {
	for _, g := range glossary {
		keys = append(keys, "glossary.topic_"+g.topic)
		for _, term := range g.terms {
			word, means := glossaryKeys(term)
			keys = append(keys, word, means)
		}
	}
	return keys
}

// Glossary returns every word that a person meets, with what it means.
func (r Reader) Glossary() (topics []Topic) {
	figures := map[string]float64{"reference_c": 20, "least_kg": 0.05}
	for _, g := range glossary {
		topic := Topic{Title: r.Word("glossary.topic_" + g.topic)}
		for _, term := range g.terms {
			word, means := glossaryKeys(term)
			t := Term{Word: r.Word(word), Means: r.Say(fillcalc.Text{Key: means, Figures: figures})}
			if name, code, has := strings.Cut(term, "="); has {
				t.Code = code
			} else if list, code, has := strings.Cut(name, "."); has {
				t.Code = code
				if list == "quality" {
					t.Word = ""
				}
			}
			topic.Terms = append(topic.Terms, t)
		}
		topics = append(topics, topic)
	}
	return topics
}
