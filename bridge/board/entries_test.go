package board

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
)

// hand presses buttons in the browser and returns what the cart hears.
type hand struct {
	testing.TB
	press  func(label string) string
	enter  func(id, text string)
	choose func(id, value string)
	key    func(text string)
	heard  func() string
	where  func() string // the element that has the focus
	// refused presses a button, and waits for an answer that did not come from the cart.
	refused func(label, text string)
}

// newHand opens the page of a cart that answers all commands, except that the engine must
// not run without a reason.
func newHand(t *testing.T, units string) (h hand, cart *peer) {
	t.Helper()
	tab := chromium.Tab(t)
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart = connect(t, broker, nil)
	heard := make(chan string, 10)
	token := cart.client.Subscribe(bay2+"commands", 1, func(_ mqtt.Client, m mqtt.Message) {
		var c map[string]any
		if err := json.Unmarshal(m.Payload(), &c); err != nil {
			t.Errorf("%v in %s", err, m.Payload())
		}
		answer := `{"id":%q,"ok":true}`
		if c["phase"] == "running" && c["why"] == nil {
			answer = `{"id":%q,"ok":false,"error":"phase: only 0.50 L of the first fill is in","insist":true}`
		}
		cart.client.Publish(bay2+"replies/"+c["id"].(string), 1, false, fmt.Sprintf(answer, c["id"]))
		delete(c, "id")
		text, _ := json.Marshal(c)
		heard <- string(text)
	})
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	url := runBoard(t, Config{Brokers: []string{"tcp://" + broker}, Shop: "hilltop", MayCommand: true})
	do(t, tab, chromedp.EmulateViewport(1024, 768), chromedp.Navigate(url+"/reader?units="+units+"&back=/cart/bay2"))
	seen(t, tab, "the connection", `!document.body.innerText.includes("NO BROKER")`)
	h.TB = t
	h.press = func(label string) string {
		t.Helper()
		button := `[...document.querySelectorAll("button")].find((b) => b.checkVisibility() && (b.querySelector("b")?.textContent ?? b.textContent) === "` + label + `")`
		seen(t, tab, "the button "+label, button+` !== undefined`)
		time.Sleep(800 * time.Millisecond) // new buttons do not count at once
		sends := script[bool](t, tab, button+`.dataset.command !== undefined || `+button+`.id === "insist-send"`)
		script[chromedp.Void](t, tab, button+`.click()`)
		if !sends {
			return ""
		}
		select {
		case c := <-heard:
			return c
		case <-time.After(5 * time.Second):
			t.Fatalf("%s sends nothing: %s", label, script[string](t, tab, `document.getElementById("reply").textContent`))
		}
		return ""
	}
	h.enter = func(id, text string) {
		t.Helper()
		seen(t, tab, "the entry "+id, `document.getElementById("`+id+`")?.checkVisibility()`)
		do(t, tab, chromedp.Evaluate[chromedp.Void](`document.getElementById("`+id+`").select()`), chromedp.KeyEvent(text))
	}
	h.key = func(text string) {
		t.Helper()
		time.Sleep(time.Second) // new buttons do not count at once
		do(t, tab, chromedp.KeyEvent(text))
	}
	h.where = func() string { return script[string](t, tab, `document.activeElement.id`) }
	h.heard = func() string {
		t.Helper()
		select {
		case c := <-heard:
			return c
		case <-time.After(5 * time.Second):
			t.Fatalf("the cart heard nothing: %s", script[string](t, tab, `document.activeElement.outerHTML + document.getElementById("reply").textContent`))
		}
		return ""
	}
	h.refused = func(label, text string) {
		t.Helper()
		script[chromedp.Void](t, tab, `[...document.querySelectorAll("button")].find((b) => b.checkVisibility() && b.textContent === "`+label+`").click()`)
		seen(t, tab, "the refusal "+text, `document.getElementById("reply").textContent.includes("`+text+`")`)
		select {
		case c := <-heard:
			t.Errorf("the cart heard %s", c)
		default:
		}
	}
	h.choose = func(id, value string) {
		t.Helper()
		do(t, tab, chromedp.Evaluate[chromedp.Void](`document.getElementById("`+id+`").value = "`+value+`"`))
	}
	return h, cart
}

func (p *peer) shows(s state) {
	p.t.Helper()
	for leaf, m := range map[string]any{"presence": json.RawMessage(online("a", time.Now())),
		"about": s.about, "volumes": s.volumes, "window": s.window, "job": s.job, "alerts": s.alerts, "choices": s.choices} {
		p.say(leaf, string(wire.Encode(m)))
	}
}

func (h hand) hears(got, want string) {
	h.Helper()
	if got != want {
		h.Errorf("the cart heard %s, want %s", got, want)
	}
}

// What is typed is sent with the button beside it, a bare number in the units that stand
// beside the field, and it stays when the page changes.
func TestEntries(t *testing.T) {
	h, cart := newHand(t, "us")
	cart.shows(named(t, "no job"))
	h.enter("choose-by", "Ada")
	h.enter("choose-vehicle", "van 7")
	h.hears(h.press("Courier van, 6-speed"), `{"by":"Ada","do":"open","service_data":"Cour","vehicle":"van 7"}`)
	h.press("Another gearbox")
	h.enter("open-low", "95")
	h.enter("open-high", "45 C")
	h.choose("open-fluid", "amber 6")
	h.hears(h.press("Start"), `{"do":"open","fluid":"amber 6","high_c":"45 C","low_c":"95 °F"}`)

	torque := named(t, "torque")
	cart.shows(torque)
	h.press("Enter the torque")
	h.enter("torque-applied", "97")
	torque.job.Flow.Remarks = nil
	cart.shows(torque.asks("ask.check", nil, nil))
	time.Sleep(time.Second)
	h.hears(h.press("Save"), `{"applied":"97 in-lb","do":"record","item":"torque","result":"done","specified":"10.96 N m"}`)
	h.press("More ›")
	h.press("Back")
	cart.shows(named(t, "draining"))
	h.press("Some was spilled")
	h.refused("Save", "About: type it first")
	h.enter("spilled-l", "a little")
	h.refused("Save", "a little is not understood")
	h.enter("spilled-l", "2 fl oz")
	h.hears(h.press("Save"), `{"do":"enter","l":"2 fl oz","what":"spilled"}`)
}

// Keys alone do what fingers do: digits press the answers, Enter and Escape end a dialog.
func TestKeyboardAlone(t *testing.T) {
	h, cart := newHand(t, "us")
	draining := named(t, "draining")
	cart.shows(draining)
	h.key("2") // some was spilled
	h.key("2 fl oz\r")
	h.hears(h.heard(), `{"do":"enter","l":"2 fl oz","what":"spilled"}`)
	h.key("2")
	h.key("\x1b")
	h.key("1")
	h.hears(h.heard(), `{"do":"phase","phase":"service"}`)
	cart.shows(named(t, "asked"))
	h.key("3")
	h.hears(h.heard(), `{"as":"thing","change":3,"change_at":"2026-11-25T09:08:00.000Z","do":"answer"}`)
	cart.shows(named(t, "no job"))
	for range 9 {
		if h.where() == "choose-by" {
			break
		}
		h.key("\t")
	}
	h.key("Ada\tvan 7\t\r") // over the vehicle to the first gearbox
	h.hears(h.heard(), `{"by":"Ada","do":"open","service_data":"Cour","vehicle":"van 7"}`)
}
