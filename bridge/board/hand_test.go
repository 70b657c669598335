package board

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
)

// hand works on the page of a cart with clicks and keys.
type hand struct {
	testing.TB
	tab context.Context
}

// newHand opens the page of the cart bay2 on a board.
func newHand(t testing.TB, url, units string) hand {
	t.Helper()
	h := hand{t, chromium.Tab(t)}
	do(t, h.tab, chromedp.EmulateViewport(1024, 768), chromedp.Navigate(url+"/reader?units="+units+"&back=/cart/bay2"))
	h.sees("the connection", `!document.body.innerText.includes("NO BROKER")`)
	return h
}

// sees waits until a script is true in the page.
func (h hand) sees(what, condition string) {
	h.Helper()
	seen(h, h.tab, what, condition)
}

// change is what a press or a key has changed at once, if it counted.
const change = `[document.body.classList.contains("busy"), document.querySelector("dialog[open] section:not([hidden])")?.dataset.dialog, document.querySelectorAll("dialog[open]").length, document.getElementById("reply").hidden, document.getElementById("reply").textContent].join()`

// press presses a button as soon as it counts, which new buttons do not at once. An open dialog
// covers all others.
func (h hand) press(label string) {
	h.Helper()
	h.sees("a press of "+label, `(() => {
		const b = [...([...document.querySelectorAll("dialog[open]")].pop() ?? document).querySelectorAll("button")].find((b) => b.checkVisibility() && (b.querySelector("b")?.textContent ?? b.textContent) === `+strconv.Quote(label)+`);
		if (!b || document.body.classList.contains("busy")) return false;
		const before = `+change+`;
		b.click();
		return before !== `+change+`;
	})()`)
}

// enter types into an entry, in the place of what stands there.
func (h hand) enter(id, text string) {
	h.Helper()
	h.sees("the entry "+id, `document.getElementById("`+id+`")?.checkVisibility()`)
	do(h, h.tab, chromedp.Evaluate[chromedp.Void](`document.getElementById("`+id+`").select()`), chromedp.KeyEvent(text))
}

// choose takes a value of a list.
func (h hand) choose(id, value string) {
	h.Helper()
	script[chromedp.Void](h, h.tab, `document.getElementById("`+id+`").value = "`+value+`"`)
}

// presses presses a key that stands for a button as soon as that counts.
func (h hand) presses(key rune) {
	h.Helper()
	h.sees("the end of the last press", `!document.body.classList.contains("busy")`)
	before := script[string](h, h.tab, change)
	bridgetest.Eventually(h, 15*time.Second, fmt.Sprintf("a press of the key %q", key), func() bool {
		// One event with its text, as a keyboard sends it: who prevents the key prevents the text.
		down := *kb.Encode(key)[0]
		down.Text = string(key)
		bridgetest.InBrowser(h, h.tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
			_, err := cdp.Call(ctx, target, input.DispatchKeyEvent, down)
			return chromedp.Void{}, err
		})
		return script[string](h, h.tab, change) != before
	})
}

func (h hand) key(text string) {
	h.Helper()
	do(h, h.tab, chromedp.KeyEvent(text))
}

// replied waits for a reply of the page that has a text in it.
func (h hand) replied(text string) {
	h.Helper()
	defer func() {
		if h.Failed() {
			h.Logf("the reply: %s", script[string](h, h.tab, `document.getElementById("reply").textContent`))
		}
	}()
	h.sees("the reply "+text, `document.getElementById("reply").textContent.includes(`+strconv.Quote(text)+`)`)
}

// listener is a cart that takes all commands, and says what it heard.
type listener struct {
	testing.TB
	*peer
	heard chan string
	said  int
}

// newListener opens the page of a cart that takes all commands.
func newListener(t *testing.T, units string) (h hand, cart *listener) {
	t.Helper()
	broker, _ := bridgetest.StartBroker(t, "127.0.0.1:0", new(bridgetest.Everybody), nil)
	cart = &listener{TB: t, peer: connect(t, broker, nil), heard: make(chan string, 10)}
	token := cart.client.Subscribe(bay2+"commands", 1, func(_ mqtt.Client, m mqtt.Message) {
		var c map[string]any
		if err := json.Unmarshal(m.Payload(), &c); err != nil {
			t.Errorf("%v in %s", err, m.Payload())
		}
		cart.client.Publish(bay2+"replies/"+c["id"].(string), 1, false, fmt.Sprintf(`{"id":%q,"ok":true}`, c["id"]))
		delete(c, "id")
		text, _ := json.Marshal(c)
		cart.heard <- string(text)
	})
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	url := runBoard(t, Config{Brokers: []string{"tcp://" + broker}, Shop: "hilltop", MayCommand: true})
	return newHand(t, url, units), cart
}

// shows lets the cart say a state, and waits until the page shows it.
func (l *listener) shows(h hand, s state) {
	l.Helper()
	l.said++
	s.job.Vehicle = fmt.Sprintf("van %d", l.said)
	for _, leaf := range []struct {
		name string
		m    any
	}{{"presence", json.RawMessage(online("a", time.Now()))}, {"about", s.about}, {"volumes", s.volumes}, {"window", s.window},
		{"alerts", s.alerts}, {"choices", s.choices}, {"job", s.job}} {
		l.say(leaf.name, string(wire.Encode(leaf.m)))
	}
	h.sees("the state "+s.name, `document.querySelector(".whose").textContent.includes("`+s.job.Vehicle+`")`)
}

// hears waits for a command.
func (l *listener) hears(want string) {
	l.Helper()
	select {
	case got := <-l.heard:
		if got != want {
			l.Errorf("the cart heard %s, want %s", got, want)
		}
	case <-time.After(5 * time.Second):
		l.Fatalf("the cart heard nothing, want %s", want)
	}
}
