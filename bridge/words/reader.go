package words

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"bayfill/bridge/units"
	"bayfill/fillcalc"
)

// Reader is somebody who reads: in a language, and in units.
type Reader struct {
	Language Language
	Units    units.System
	Zone     *time.Location // of the times of day; nil: the computer's own
}

// Plain is the reader of the texts on the wire: English, SI units, UTC.
var Plain = Reader{English, units.Metric, time.UTC}

// Knows reports whether a key has a sentence. A message of a newer program may have one
// without.
func Knows(key string) bool { _, known := Sentences(English)[key]; return known }

// Word returns the catalogue's text for a key without figures; the key itself if there is none.
func (r Reader) Word(key string) string { return r.Say(fillcalc.Text{Key: key}) }

var placeholder = regexp.MustCompile(`\{(@?)([a-z_]+)(?:\|([^|}]*)\|([^|}]*))?\}`)

// Say returns a text as a sentence.
func (r Reader) Say(t fillcalc.Text) string {
	sentence, known := Sentences(r.Language)[t.Key]
	if !known {
		sentence = t.Key
	}
	torque := r.torqueUnit(t.Figures)
	said := placeholder.ReplaceAllStringFunc(sentence, func(found string) string {
		part := placeholder.FindStringSubmatch(found)
		name, look := part[2], part[1] != ""
		if value, is := t.Figures[name]; is && strings.Contains(found, "|") {
			if value == 1 {
				return part[3]
			}
			return part[4]
		} else if is && strings.HasPrefix(name, "both_") {
			return r.both(name, value, t.Names["written"])
		} else if bound, one := r.bound(name, t.Figures, torque); one {
			return bound
		} else if is && strings.HasSuffix(name, "_nm") {
			return torque.Text(value)
		} else if is {
			return r.Figure(name, value)
		}
		value, is := t.Names[name]
		switch {
		case !is:
			return "–"
		case look:
			var list []string
			for _, word := range strings.Fields(value) {
				list = append(list, r.Word(name+"."+word))
			}
			return strings.Join(list, ", ")
		}
		return r.Name(name, value)
	})
	if strings.HasPrefix(sentence, "{@") { // a word of the catalogue begins the sentence
		first, size := utf8.DecodeRuneInString(said)
		return string(unicode.ToUpper(first)) + said[size:]
	}
	return said
}

// torqueUnit returns the unit of all torques of a sentence: who compares them needs one.
func (r Reader) torqueUnit(figures map[string]float64) units.Unit {
	largest := 0.0
	for name, value := range figures {
		if strings.HasSuffix(name, "_nm") {
			largest = max(largest, math.Abs(value))
		}
	}
	return r.Units.TorqueUnit(largest)
}

// bound prints an end of a range, which is exact: both stand in one unit, which follows the upper
// one. ok is false for other figures.
func (r Reader) bound(name string, figures map[string]float64, torque units.Unit) (text string, ok bool) {
	end, of, _ := strings.Cut(name, "_")
	least, hasLeast := figures["least_"+of]
	most, hasMost := figures["most_"+of]
	if end != "least" && end != "most" || !hasLeast || !hasMost {
		return "", false
	}
	u, ok := r.unit(name, most)
	if strings.HasSuffix(name, "_nm") {
		u = torque
	}
	if end == "least" {
		return u.Exact(least), ok
	}
	return u.Exact(most) + " " + u.Symbol, ok
}

// Name prints a name. The end of its own name may say that it is a time in RFC 3339: of the
// day (at), a day (_day), or both (_when). Of some names the catalogue says that nobody gave
// them (unsaid).
func (r Reader) Name(name, value string) string {
	switch {
	case value == "" && Knows("unsaid."+name):
		return r.Word("unsaid." + name)
	case name == "at" || strings.HasSuffix(name, "_at"):
		return r.time(value, "15:04")
	case strings.HasSuffix(name, "_day"):
		return r.time(value, time.DateOnly)
	case strings.HasSuffix(name, "_when"):
		return r.time(value, time.DateOnly+" 15:04")
	}
	return value
}

// Figure prints an amount in SI units in the reader's, by the unit in which its name ends.
func (r Reader) Figure(name string, si float64) string {
	u, ok := r.unit(name, si)
	switch {
	case ok:
		return u.Text(si)
	case strings.HasSuffix(name, "_pct"):
		return strconv.FormatFloat(math.Round(si*10)/10, 'f', -1, 64) + " %"
	case strings.HasSuffix(name, "_s"):
		return seconds(si)
	case strings.HasSuffix(name, "_min"):
		return seconds(60 * si)
	}
	return strconv.FormatFloat(math.Round(si*100)/100, 'f', -1, 64)
}

// unit is the reader's unit of a figure, by the end of its name; ok is false for a number, a share
// or a time.
func (r Reader) unit(name string, si float64) (u units.Unit, ok bool) {
	switch {
	case strings.HasSuffix(name, "_l_min"):
		return r.Units.FlowUnit(), true
	case strings.HasSuffix(name, "_l"):
		return r.Units.VolumeUnit(si), true
	case strings.HasSuffix(name, "_kg"):
		return r.Units.MassUnit(si), true
	case strings.HasSuffix(name, "_c"):
		return r.Units.TemperatureUnit(), true
	case strings.HasSuffix(name, "_nm"):
		return r.Units.TorqueUnit(si), true
	}
	return u, false
}

// both prints an amount in its SI unit and, in brackets, in the reader's or else as somebody
// wrote it.
func (r Reader) both(name string, si float64, written string) string {
	text, second := Plain.Figure(name, si), r.Figure(name, si)
	if second == text {
		second = written
	}
	if second == text || second == "" {
		return text
	}
	return text + " (" + second + ")"
}

// seconds prints a time: the symbols of s, min, h and d are the same in all languages
// (ISO 80000-3).
func seconds(s float64) string {
	switch {
	case math.IsNaN(s):
		return "–"
	case s < 100:
		return strconv.Itoa(int(math.Ceil(s))) + " s"
	case s < 100*60:
		return strconv.Itoa(int(math.Round(s/60))) + " min"
	case s < 48*3600:
		return strconv.Itoa(int(math.Round(s/3600))) + " h"
	}
	return strconv.Itoa(int(math.Round(s/86400))) + " d"
}

// time prints a time in RFC 3339; a text that is none as it is.
func (r Reader) time(at, layout string) string {
	t, err := time.Parse(time.RFC3339, at)
	if err != nil {
		return at
	}
	zone := r.Zone
	if zone == nil {
		zone = time.Local
	}
	if zone == time.UTC && layout != time.DateOnly {
		layout += " UTC"
	}
	return t.In(zone).Format(layout)
}
