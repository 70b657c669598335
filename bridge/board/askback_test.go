package board

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
)

// asked presses buttons and waits for the question that comes back. Nothing is done: it is left,
// then pressed again and done with a reason.
func (h hand) asked(cart *follower, question string, press func()) {
	h.Helper()
	said := func() string {
		_, j := cart.now()
		return string(wire.Encode([]any{j.Job, j.Entered, j.Flow.Records, j.Flow.Phases}))
	}
	h.sees("the end of what was pressed before", `!document.body.classList.contains("busy")`)
	time.Sleep(50 * time.Millisecond) // until it has come by the broker
	before := said()
	press()
	h.replied(question)
	h.press("OK")
	if script[bool](h, h.tab, `document.getElementById("dialogs").open`) {
		h.press("Back")
	}
	if after := said(); after != before {
		h.Errorf("%s: although nobody insisted, the job has changed from %s to %s", question, before, after)
	}
	press()
	h.replied(question)
	h.press("Do it all the same")
	h.press("Do it all the same")
	h.replied("Why: type it first")
	h.enter("insist-reason", "I have looked")
	h.press("Do it all the same")
	h.replied("saved")
	bridgetest.Eventually(h, 5*time.Second, "what was insisted on", func() bool { return said() != before })
}

// lags lets the page show nothing new while window.lagging is set, as on a bad line.
const lags = `window.EventSource = class extends EventSource {
	set onmessage(show) {
		super.onmessage = ({data}) => show({data: window.lagging ? JSON.stringify({...JSON.parse(data), pieces: {}}) : data});
	}
}`

// Figures that are possible but mostly a slip, and steps that cost a gearbox, are asked back on
// the page, and done only with a reason: by clicks, with a bridge and a simulated cart.
func TestAskedBackByClicks(t *testing.T) {
	bridgetest.Slow(t)
	t.Parallel()
	broker := startMosquitto(t)
	startBridge(t, broker, 25) // °C: outside the window all the time
	cart := followCart(t, broker)
	f := &tapper{hand: newHand(t, runBoard(t, Config{Brokers: []string{"tcp://" + broker}, Shop: "hilltop", MayCommand: true}), "metric")}
	inject(t, f.tab, lags)
	reload := chromedp.Navigate(script[string](t, f.tab, `location.href`))
	do(t, f.tab, reload)
	defer func() {
		if t.Failed() {
			t.Logf("the page: %s", script[string](t, f.tab, `document.body.innerText`))
		}
	}()

	f.asked(cart, "95.0 °C to 113.0 °C is very hot for a check window", func() {
		f.press("Another gearbox")
		f.enter("open-job", "order-7")
		f.choose("open-fluid", "amber 6")
		f.enter("open-low", "95")
		f.enter("open-high", "113")
		f.press("Start")
	})
	f.tap("Give up this job")
	f.enter("abandon-why", "another vehicle")
	f.press("Give up this job")
	open := func() {
		f.press("Another gearbox")
		f.enter("open-job", "order-7")
		f.choose("open-data", "van6-overflow")
		f.press("Start")
	}
	open() // a job that was given up may begin again under its name
	f.tap("Start draining")
	spill := func(amount string) func() {
		return func() { f.press("Some was spilled"); f.enter("spilled-l", amount); f.press("Save") }
	}
	f.asked(cart, "Spilled: 40.0 L is a lot", spill("40 L"))
	f.press("Take back")
	f.replied("Taken back: Spilled: 40.0 L")

	f.tap("Pan is off, it only drips")
	f.asked(cart, "165.0 N·m is no usual torque of pan bolts", func() {
		f.press("Enter the torque")
		f.enter("torque-applied", "165")
		f.press("Save")
	})
	f.tap("Pan is closed: fill")
	f.sees("the engine's button", `[...document.querySelectorAll("#answers b")].some((b) => b.textContent === "Engine runs")`)
	script[any](t, f.tab, `window.lagging = true`)
	connect(t, broker, nil).publish(bay2+"commands", false, `{"id":"other-1","do":"enter","what":"spilled","l":1,"by":"tablet 2"}`)
	bridgetest.Eventually(t, 5*time.Second, "the entry of another screen", func() bool { _, j := cart.now(); return len(j.Entered) == 1 })
	f.asked(cart, "by tablet 2: spilled. Is it to count once more?", spill("1 L"))
	f.asked(cart, "of the first fill of 1.6", func() { f.press("Engine runs") })
	do(t, f.tab, reload)

	f.tap("No leaks seen")
	f.asked(cart, ", and the check window is 35.0 °C to 45.0 °C", func() { f.press("Judge the level"); f.press("Right") })
	if _, j := cart.now(); len(j.Entered) != 2 {
		t.Errorf("entered: %+v", j.Entered)
	}
	f.asked(cart, "Is that meant?", func() {
		for range 20 { // on a loaded machine the scale may seem to move
			f.press("Weigh and close the job")
			f.sees("an answer", `document.getElementById("reply").textContent !== ""`)
			if !script[bool](t, f.tab, `document.getElementById("reply").textContent.includes("has not settled")`) {
				return
			}
			time.Sleep(500 * time.Millisecond)
		}
	})
	f.asked(cart, "There was a job order-7 already", open)
}
