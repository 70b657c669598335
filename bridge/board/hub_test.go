package board

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

// Whatever a broker sends, the board shows a complete page of bounded size in which every
// button holds a valid command.
func FuzzReceive(f *testing.F) {
	for leaf, payload := range map[string]string{
		"presence": online("a", time.Now()),
		"about":    `{"program":"bayfill","contract":1,"sensors":[{"name":"caddy","role":"caddy+supply","quantity":"weight","protocol":"sma"}],"measured_fluids":[{"name":"a","density_kg_m3":850}]}`,
		"volumes":  volumes("checking", 4.213, 2.104, -1.246),
		"window":   windowForecast("closing", 44.9, "null", "null", "31", "12"),
		"job":      job("checking", `[{"text":"Judge the level.","do":"record","item":"level"},{"text":"More.","do":"gear"}]`, sheet+`,"flow":{"gear":{"gear":"R","left_s":4}}`),
		"alerts":   `{"ts":"2026-11-25T09:10:00.000Z","alerts":[{"kind":"a","since":"2026-11-25T09:10:00.000Z","text":"one"},{},{},{}]}`,
	} {
		f.Add(bay2+leaf, []byte(payload), bay2+"job", []byte(job("draining", `null`, `,"questions":[{"change":3,"at":"x","sensor":"caddy","kg":null,"l":-1e9,"answers":["fluid"]}]`)), true)
		f.Add(bay2+leaf, []byte(payload[:len(payload)/2]), bay2+"volumes", []byte(volumes("draining", 1e300, 5e-324, 1e9)), false)
		f.Add(bay2+leaf, []byte("null"), bay2+"window", []byte(windowForecast("open", 1e9, "1e300", "-1e300", "-5", "1e9")), false)
	}
	f.Add("bayfill/hilltop/bay3/presence", []byte(online("b", time.Now())), "bayfill/../x/#", []byte("[]"), true)
	f.Add(bay2+"presence", []byte(""), bay2+"presence", []byte(strings.Repeat(`{"online":`, 5000)), false)
	f.Fuzz(func(t *testing.T, topic1 string, payload1 []byte, topic2 string, payload2 []byte, retained bool) {
		h := liveHub(t)
		now := noon
		for _, m := range []struct {
			topic   string
			payload []byte
		}{{topic1, payload1}, {topic2, payload2}} {
			h.receive(m.topic, m.payload, retained, now)
			now = now.Add(time.Second)
		}
		if len(h.carts) > 3 {
			t.Fatalf("two messages make %d carts", len(h.carts))
		}
		v, _ := h.look(words.Plain, "bay2", true, now)
		var page bytes.Buffer
		for _, name := range cartPieces {
			if err := pages().ExecuteTemplate(&page, name, v); err != nil {
				t.Fatal(err)
			}
		}
		if err := pages().ExecuteTemplate(&page, "carts", h.lookAll(words.Plain, "", now)); err != nil {
			t.Fatal(err)
		}
		// A character takes at most six as HTML, and some texts are shown twice.
		if maxBytes := 100_000 + 20*(len(payload1)+len(payload2)); page.Len() > maxBytes {
			t.Fatalf("the page has %d bytes, at most %d are allowed", page.Len(), maxBytes)
		}
		for _, a := range everyAnswer(&v) {
			if a.Commands == "" || a.With != "" { // with entries it is whole only once they are typed
				continue
			}
			for _, command := range eachCommand(t, a.Commands) {
				if _, err := wire.ParsePress(command); err != nil {
					t.Fatalf("button %q sends %q: %v", a.Label, command, err)
				}
			}
		}
	})
}

// everyAnswer lists all buttons of a page and of its dialogs.
func everyAnswer(s *screen) []answer {
	list := slices.Concat(s.Answers, s.Pic.Offers)
	for _, d := range s.Dialogs {
		list = append(list, d.Answers...)
		for _, r := range d.Rows {
			list = append(list, r.Answers...)
		}
	}
	return list
}

// eachCommand returns the commands of a button one by one.
func eachCommand(t testing.TB, commands string) []json.RawMessage {
	t.Helper()
	if !strings.HasPrefix(commands, "[") {
		return []json.RawMessage{json.RawMessage(commands)}
	}
	var list []json.RawMessage
	if err := json.Unmarshal([]byte(commands), &list); err != nil {
		t.Fatal(err)
	}
	return list
}

// A broker full of nonsense cannot fill the hub's memory.
func TestHubIsBounded(t *testing.T) {
	h := newHub(false, noon)
	long := bytes.Repeat([]byte(" "), maxMessageBytes+1)
	for n := range 4 * maxCarts {
		for _, topic := range []string{"bayfill/hilltop/cart%d/presence", "bayfill/shop%d/bay2/nothing", "bayfill/HILLTOP/cart%d/volumes", "bayfill/hilltop/cart%d/a/b", "%d"} {
			h.receive(fmt.Sprintf(topic, n), []byte(`{}`), true, noon.Add(time.Duration(n)))
			h.receive(fmt.Sprintf(topic, n), long, true, noon)
		}
	}
	if n := len(h.carts); n != maxCarts {
		t.Errorf("%d carts", n)
	}
	for key, c := range h.carts {
		if len(c.presence.payload) > maxMessageBytes {
			t.Errorf("cart %s holds %d bytes", key, len(c.presence.payload))
		}
	}
}
