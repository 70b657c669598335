package board

import (
	"net/http"
	"strings"
	"time"

	"bayfill/bridge/units"
	"bayfill/bridge/words"
)

// Each screen remembers its language and its units in cookies. They hold nothing else.
const languageCookie, unitsCookie = "bayfill_lang", "bayfill_units"

// readerChoice is a language or a set of units to choose.
type readerChoice struct{ Field, Value, Label string }

var readerChoices = []readerChoice{
	{"units", string(units.Metric), "L · °C · kg"},
	{"units", string(units.US), "US qt · °F · lb"},
	{"units", string(units.Imperial), "imp pt · °C · lb"},
	{"lang", string(words.English), "English"},
	{"lang", string(words.Spanish), "Español"},
}

// reader returns in which language and units a screen reads. Units that nobody has chosen are
// those of the shop, which each cart says.
func (b *Board) reader(r *http.Request) words.Reader {
	reader := b.config.Reader
	if reader.Language == "" {
		reader.Language = words.English
	}
	if c, err := r.Cookie(languageCookie); err == nil {
		if l, err := words.ParseLanguage(c.Value); err == nil && c.Value != "" {
			reader.Language = l
		}
	}
	if c, err := r.Cookie(unitsCookie); err == nil {
		if u, err := units.ParseSystem(c.Value); err == nil && c.Value != "" {
			reader.Units = u
		}
	}
	return reader
}

// setReader remembers the language or the units that somebody has chosen, and goes back to
// the page.
func (b *Board) setReader(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	set := func(name, value string) {
		http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: int((10 * 365 * 24 * time.Hour).Seconds()), HttpOnly: true, SameSite: http.SameSiteStrictMode})
	}
	language, err := words.ParseLanguage(q.Get("lang"))
	if err != nil {
		http.Error(w, "lang: "+err.Error(), http.StatusBadRequest)
		return
	}
	system, err := units.ParseSystem(q.Get("units"))
	if err != nil {
		http.Error(w, "units: "+err.Error(), http.StatusBadRequest)
		return
	}
	if q.Has("lang") {
		set(languageCookie, string(language))
	}
	if q.Has("units") {
		set(unitsCookie, string(system))
	}
	back := q.Get("back")
	if !strings.HasPrefix(back, "/") || strings.HasPrefix(back, "//") || strings.Contains(back, "\\") {
		back = "/" // never to another site
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}
