package board

import (
	"bayfill/bridge/bridgetest"
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/memory"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// do runs actions in the browser, at most half a minute.
func do(t testing.TB, tab context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	bridgetest.InBrowser(t, tab, chromedp.Steps(steps...))
}

// keep writes a screenshot of the page into the folder BAYFILL_SCREENSHOTS, for people.
func keep(t testing.TB, tab context.Context, name string) {
	t.Helper()
	dir := os.Getenv("BAYFILL_SCREENSHOTS")
	if dir == "" {
		return
	}
	png := bridgetest.InBrowser(t, tab, chromedp.FullScreenshot(100))
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}

// script runs a script and returns its value.
func script[T any](t testing.TB, tab context.Context, text string) T {
	t.Helper()
	return bridgetest.InBrowser(t, tab, chromedp.Evaluate[T](text))
}

// seen waits until a script is true in the page.
func seen(t testing.TB, tab context.Context, what, condition string) {
	t.Helper()
	bridgetest.Eventually(t, 15*time.Second, what, func() bool { return script[bool](t, tab, "("+condition+") === true") })
}

// scenes are states that the page must be able to show, as the leaves that lead to them.
var scenes = []struct {
	name   string
	leaves map[string]string
	shows  string
}{
	{"no job", map[string]string{
		"volumes": `{"ts":"2026-11-25T09:10:00.000Z","phase":"","quality":"no job was opened yet","quality_code":"no_job","reference_c":20}`,
		"window":  `{"ts":"2026-11-25T09:10:00.000Z","state":"blind","temp_c":24.2,"quality":"no job is open","quality_code":"not_open"}`,
		"job":     `{"ts":"2026-11-25T09:10:00.000Z","phase":"","flow":{"next":[{"text":"Open a job.","do":"open"}]},"cautions":[]}`,
		"alerts":  `{"ts":"2026-11-25T09:10:00.000Z","alerts":[]}`,
	}, "Open a job."},
	{"torque", map[string]string{
		"volumes": volumes("service", 3.913, 0, 3.13),
		"window":  windowAt("below", 27.9, "null", "null"),
		"job":     job("service", `[{"text":"Record: bolt torque.","do":"record","item":"torque"},{"text":"Pan closed? Then fill.","do":"phase","phase":"filling"}]`, sheet),
	}, "bolt torque"},
	{"asked", map[string]string{
		"volumes": volumes("service", 3.913, 0, 3.13),
		"window":  windowAt("nearing", 31.2, "190", "null"),
		"job": job("service", `[{"text":"1.23 kg came onto caddy-scale 2 min ago and have not gone: fluid, or does it lie there?","do":"answer","change":3},{"text":"Record: bolt torque.","do":"record","item":"torque"},{"text":"Pan closed? Then fill.","do":"phase","phase":"filling"}]`,
			`,"questions":[{"change":3,"at":"2026-11-25T09:08:00.000Z","sensor":"caddy-scale","kg":1.23,"l":1.43,"text":"?","answers":["fluid","gone","thing","container"],"trace_kg":[0,0.001,-0.002,0,0,0.001,0.004,0.21,0.87,1.212,1.229,1.231,1.229,1.23,1.23,1.231],"trace_step_s":0.312},{"change":5,"at":"2026-11-25T09:09:00.000Z","sensor":"caddy-scale","kg":0.4,"l":0.47,"text":"?","answers":["fluid","gone","thing","container"]}]`),
		"alerts": `{"ts":"2026-11-25T09:10:00.000Z","alerts":[{"text":"sensor caddy-scale was never calibrated: bayfill calibrate --sensor caddy-scale"},{"text":"history http://127.0.0.1:8086: connection refused, 312 events wait"}]}`,
	}, "Lies there"},
	{"bottles", map[string]string{
		"volumes": volumes("filling", 4.213, 4.1, 0.1),
		"job": job("filling", `[{"text":"What went off supply-scale 4 min ago did not come back: bottles, poured in and thrown away?","do":"answer","change":6},{"text":"Pour 1.25 L more for the first fill.","do":"phase","phase":"running"}]`,
			sheet+`,"questions":[{"change":6,"at":"2026-11-25T09:08:00.000Z","sensor":"supply-scale","kg":-0.89,"l":-1.05,"text":"?","answers":["fluid","gone","thing","container","bottle"],"trace_kg":[0,0,0.002,0,0,0,0,-0.144,-0.704,-0.896,-0.889,-0.889,-0.887,-0.889,-0.889,-0.889],"trace_step_s":0.292}]`),
	}, "Bottle, thrown away"},
	{"to be weighed", map[string]string{
		"volumes": volumes("checking", 4.213, 4.1, 0.1),
		"job":     job("checking", `[{"text":"Judge the level now, at 38 °C.","do":"record","item":"level"}]`, sheet),
	}, "weigh"},
	{"filling", map[string]string{
		"volumes": volumes("filling", 4.213, 2.104, 1.246),
		"window":  windowForecast("below", 28.4, "190", "25", "480", "130"),
		"job":     job("filling", `[{"text":"Pour 1.25 L more for the first fill.","do":"phase","phase":"running"}]`, sheet),
	}, "1.25"},
	{"running", map[string]string{
		"volumes": volumes("running", 4.213, 3.349, 0.841),
		"window":  windowForecast("nearing", 31.2, "233", "41", "610", "95"),
		"job":     job("running", `[{"text":"Hold R for 4 s.","do":"gear"},{"text":"Record: leaks looked for.","do":"record","item":"leaks"},{"text":"Then top up and check the level.","do":"phase","phase":"checking"}]`, sheet),
	}, "opens in about"},
	{"checking", map[string]string{
		"volumes": volumes("checking", 4.213, 3.95, 0.24),
		"window":  windowAt("open", 38.4, "null", "200"),
		"job":     job("checking", `[{"text":"Judge the level now, at 38 °C.","do":"record","item":"level"}]`, ""),
	}, "CHECK NOW"},
	{"closing", map[string]string{"window": windowAt("closing", 43.9, "null", "35")}, "CLOSING NOW"},
	{"blind", map[string]string{
		"volumes": `{"ts":"2026-11-25T09:11:00.000Z","job":"van-7","phase":"checking","quality":"scale caddy-scale is silent","quality_code":"silent","drained_l":null,"added_l":3.95,"added_u_l":0.015,"remaining_l":null,"reference_c":20}`,
		"window":  `{"ts":"2026-11-25T09:10:00.000Z","state":"blind","temp_c":null,"low_c":35,"high_c":45,"quality":"probe fluid-probe is silent","quality_code":"silent"}`,
	}, "NOT KNOWN"},
	{"offline", map[string]string{"presence": offline("a", "stopped")}, "CART OFFLINE"},
}

// The page fits a wall screen, a tablet and a phone: nothing is cut off, no text is faint,
// and buttons are large enough for gloves.
func TestPageInBrowser(t *testing.T) {
	tab := bridgetest.StartChromium(t)
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart := connect(t, broker, nil)
	config := Config{Broker: "tcp://" + broker, Shop: "hilltop", MayCommand: true}
	url := runBoard(t, config)
	cart.say("presence", online("a"))
	cart.say("about", `{"sensors":[{"name":"caddy-scale","role":"caddy"},{"name":"supply-scale","role":"supply"}]}`)
	do(t, tab, chromedp.Navigate(url+"/cart/bay2"))
	seen(t, tab, "the connection", `!document.body.innerText.includes("NO BROKER")`)
	for _, scene := range scenes {
		for leaf, payload := range scene.leaves {
			cart.say(leaf, payload)
		}
		seen(t, tab, scene.name, `document.body.innerText.includes("`+scene.shows+`")`)
		for _, screen := range []struct {
			name          string
			width, height int64
			scrolls       bool
		}{{"1920", 1920, 1080, false}, {"1024", 1024, 768, false}, {"800", 800, 1280, false}, {"390", 390, 844, true}} {
			do(t, tab, chromedp.EmulateViewport(screen.width, screen.height))
			keep(t, tab, scene.name+"-"+screen.name)
			for _, wrong := range script[[]string](t, tab, lookForWrong(screen.scrolls)) {
				t.Errorf("%s at %s: %s", scene.name, screen.name, wrong)
			}
			if !strings.Contains(scene.leaves["job"], "trace_kg") {
				continue
			}
			for _, wrong := range script[[]string](t, tab, lookAtPicture(screen.scrolls)) {
				t.Errorf("%s at %s: %s", scene.name, screen.name, wrong)
			}
		}
	}
	do(t, tab, chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(url+"/"))
	seen(t, tab, "the overview", `document.body.innerText.includes("CART OFFLINE")`)
	keep(t, tab, "overview-1920")
	for _, wrong := range script[[]string](t, tab, lookForWrong(false)) {
		t.Errorf("overview: %s", wrong)
	}
}

// lookAtPicture is a script that lists what is wrong with the picture of the change in
// question, and with the answers beside it: they are on the screen even below the reply to
// the last press. On a page that scrolls they lie no lower than without the picture.
func lookAtPicture(scrolls bool) string {
	return `(() => {
	const wrong = [], scrolls = ` + strconv.FormatBool(scrolls) + `;
	const picture = document.querySelector('.urgent svg.trace');
	if (!picture?.checkVisibility()) return ['no picture'];
	const label = picture.getAttribute('aria-label');
	if (!/^the scale's signal around the change: [+−][0-9.]+ kg, over [0-9]+ s$/.test(label)) wrong.push('the picture is called ' + label);
	const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
	const letters = parseFloat(getComputedStyle(picture.querySelector('text')).fontSize) * picture.getScreenCTM().a / rem;
	if (letters < 1.5) wrong.push('letters of ' + letters + ' rem in the picture');
	const panel = picture.closest('fieldset'), buttons = [...panel.querySelectorAll('button')];
	const outer = panel.getBoundingClientRect();
	for (const part of picture.querySelectorAll('path, text')) {
		const p = part.getBoundingClientRect();
		if (p.left < outer.left || p.right > outer.right || p.top < outer.top || p.bottom > outer.bottom) wrong.push(part.outerHTML + ' leaves the panel');
		for (const other of [...buttons, panel.querySelector('legend')]) {
			const o = other.getBoundingClientRect();
			if (p.left < o.right && o.left < p.right && p.top < o.bottom && o.top < p.bottom) wrong.push(part.outerHTML + ' covers ' + other.textContent);
		}
	}
	const low = () => Math.max(...buttons.map((b) => b.getBoundingClientRect().bottom));
	const reply = document.getElementById('reply'), drawn = low();
	reply.textContent = '✓ to service: done';
	const page = document.documentElement;
	if (!scrolls && (low() > innerHeight || page.scrollHeight > innerHeight + 1)) wrong.push('below a reply the answers reach down to ' + low() + ', the page to ' + page.scrollHeight);
	reply.textContent = '';
	const next = picture.nextSibling;
	picture.remove();
	if (scrolls && drawn > low() + 1) wrong.push('the answers reach down to ' + drawn + ', without the picture to ' + low());
	panel.insertBefore(picture, next);
	return wrong;
})()`
}

// lookForWrong is a script that lists the faults of a page: contrast below 7:1, buttons
// below 72 px, content that does not fit.
func lookForWrong(scrolls bool) string {
	return `(() => {
	const wrong = [], scrolls = ` + map[bool]string{true: "true", false: "false"}[scrolls] + `;
	const parse = (c) => { const m = c.match(/[\d.]+/g).map(Number); return m.length > 3 && m[3] === 0 ? null : m; };
	const light = (c) => [0.2126, 0.7152, 0.0722].reduce((sum, w, i) => {
		const v = c[i] / 255;
		return sum + w * (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
	}, 0);
	const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n; (n = walker.nextNode());) {
		const e = n.parentElement;
		if (!n.data.trim() || !e.checkVisibility() || e.closest('noscript, script')) continue;
		const front = parse(e.closest('svg') ? getComputedStyle(e).fill : getComputedStyle(e).color);
		let ground = null;
		for (let g = e; g && !ground; g = g.parentElement) ground = parse(getComputedStyle(g).backgroundColor);
		const [a, b] = [light(front), light(ground ?? [255, 255, 255])].sort((x, y) => y - x);
		if ((a + 0.05) / (b + 0.05) < 7) wrong.push('contrast ' + ((a + 0.05) / (b + 0.05)).toFixed(1) + ' of "' + n.data.trim() + '"');
	}
	for (const b of document.querySelectorAll('button, input')) {
		if (!b.checkVisibility()) continue;
		const r = b.getBoundingClientRect();
		if (r.height < 72 || r.width < 72) wrong.push(b.tagName + ' "' + (b.textContent || b.name) + '" is ' + r.width + ' x ' + r.height);
	}
	const page = document.documentElement;
	if (page.scrollWidth > innerWidth) wrong.push('wider than the screen: ' + page.scrollWidth);
	if (!scrolls && page.scrollHeight > innerHeight + 1) wrong.push('higher than the screen: ' + page.scrollHeight);
	for (const s of document.querySelectorAll('section, #standing, #phases li')) {
		if (s.scrollHeight > s.clientHeight + 2 || s.scrollWidth > s.clientWidth + 2) wrong.push((s.id || s.textContent) + ' is cut off: ' + s.scrollWidth + ' x ' + s.scrollHeight + ' in ' + s.clientWidth + ' x ' + s.clientHeight);
	}
	return wrong;
})()`
}

// The page draws a message within a short time and shows when the board is gone.
func TestPageFollows(t *testing.T) {
	tab := bridgetest.StartChromium(t)
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart := connect(t, broker, nil)
	b, server := serve(t, Config{Broker: "tcp://" + broker, Shop: "hilltop"})
	ctx, stop := testContext(t)
	done := make(chan struct{})
	go func() { defer close(done); b.client.run(ctx) }()
	defer func() { stop(); <-done }()
	do(t, tab, chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(server.URL+"/cart/bay2"))
	seen(t, tab, "the connection", `!document.body.innerText.includes("NO BROKER")`)
	cart.say("presence", online("a"))
	cart.say("volumes", volumes("checking", 4, 1, 1))
	cart.say("window", windowAt("nearing", 34, "5", "null"))
	seen(t, tab, "a live cart", `document.body.innerText.includes("LIVE")`)

	// The time at which a figure was drawn.
	script[chromedp.Void](t, tab, `window.drawn = {};
		new MutationObserver(() => requestAnimationFrame(() => {
			window.drawn[document.querySelectorAll('#volumes dd')[2].textContent] ??= performance.timeOrigin + performance.now();
		})).observe(document.getElementById('volumes'), {childList: true}); undefined`)
	const updates = 40
	sent := map[string]time.Time{}
	for i := range updates {
		added := 1 + float64(i+1)/100
		sent[litres(added)] = time.Now()
		cart.say("volumes", volumes("checking", 4, added, 1))
		time.Sleep(60 * time.Millisecond)
	}
	seen(t, tab, "the last figure", `"`+litres(1+updates/100.0)+`" in window.drawn`)
	var tookMs []float64
	for text, at := range script[map[string]float64](t, tab, `window.drawn`) {
		if began, ok := sent[text]; ok {
			tookMs = append(tookMs, at-float64(began.UnixMicro())/1000)
		}
	}
	slices.Sort(tookMs)
	p95 := tookMs[len(tookMs)*95/100]
	t.Logf("from message to drawing: median %.0f ms, 95 %% within %.0f ms, worst %.0f ms, of %d", tookMs[len(tookMs)/2], p95, tookMs[len(tookMs)-1], len(tookMs))
	if p95 > 600 || len(tookMs) < updates*9/10 { // the aim is 150 ms; a busy machine is not the page's fault
		t.Errorf("95 %% of %d updates within %.0f ms", len(tookMs), p95)
	}

	// The signal sounds when it changes. Before the first touch there is no sound, but the
	// page records that it would have sounded.
	cart.say("window", windowAt("open", 36, "null", "100"))
	seen(t, tab, "the signal", `document.body.dataset.sounded === "open"`)
	// The strongest tone in the loudspeaker's signal, every 20 ms.
	script[chromedp.Void](t, tab, `window.tones = new Set();
		window.AudioContext = class extends AudioContext {
			get destination() {
				if (this.ear) return this.ear;
				this.ear = new AnalyserNode(this, {fftSize: 8192, smoothingTimeConstant: 0});
				this.ear.connect(super.destination);
				const decibels = new Float32Array(this.ear.frequencyBinCount);
				setInterval(() => {
					this.ear.getFloatFrequencyData(decibels);
					const loudest = decibels.indexOf(Math.max(...decibels));
					if (decibels[loudest] > -30) window.tones.add(10 * Math.round(loudest * this.sampleRate / this.ear.fftSize / 10));
				}, 20);
				return this.ear;
			}
		}; undefined`)
	do(t, tab, chromedp.Click(chromedp.CSS("#sound")))
	seen(t, tab, "the sound", `document.getElementById("sound").getAttribute("aria-pressed") === "true"`)
	seen(t, tab, "the tone of the switch", `window.tones.has(660)`)
	cart.say("window", windowAt("closing", 44, "null", "10"))
	seen(t, tab, "the second signal", `document.body.dataset.sounded === "closing"`)
	seen(t, tab, "its tone", `window.tones.has(880)`)
	script[chromedp.Void](t, tab, `window.tones.clear()`)
	cart.say("window", windowAt("open", 43, "null", "20"))
	seen(t, tab, "the chord of the open window", `[523, 659, 784].every(hertz => [...window.tones].some(tone => Math.abs(tone - hertz) < 10))`)

	// A page that receives nothing shows it.
	gone := time.Now()
	server.CloseClientConnections()
	server.Listener.Close()
	seen(t, tab, "the missing board", `!document.getElementById("cut").hidden && document.body.innerText.includes("NO CONNECTION") && !document.body.innerText.includes("LIVE")`)
	if took := time.Since(gone); took > 5*time.Second {
		t.Errorf("a page without its board said so after %v", took)
	}
	keep(t, tab, "cut-1920")
}

// Typed text is sent with the button beside it and is kept when the buttons are replaced. A
// reason is asked for when the cart refuses.
func TestEntriesInBrowser(t *testing.T) {
	tab := bridgetest.StartChromium(t)
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart := connect(t, broker, nil)
	heard := make(chan string, 10)
	token := cart.client.Subscribe(bay2+"commands", 1, func(_ mqtt.Client, m mqtt.Message) {
		var c map[string]any
		if err := json.Unmarshal(m.Payload(), &c); err != nil {
			t.Errorf("%v in %s", err, m.Payload())
		}
		answer := `{"id":%q,"ok":true}`
		if c["phase"] == "running" && c["why"] == nil {
			answer = `{"id":%q,"ok":false,"error":"phase: only 0.50 L of the first fill are in"}`
		}
		cart.client.Publish(bay2+"replies/"+c["id"].(string), 1, false, fmt.Sprintf(answer, c["id"]))
		delete(c, "id")
		text, _ := json.Marshal(c)
		heard <- string(text)
	})
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	url := runBoard(t, Config{Broker: "tcp://" + broker, Shop: "hilltop", MayCommand: true})
	cart.say("presence", online("a"))
	cart.say("about", `{"sensors":[{"name":"supply-scale","role":"supply"}]}`)
	do(t, tab, chromedp.EmulateViewport(1024, 768), chromedp.Navigate(url+"/cart/bay2"))
	seen(t, tab, "the connection", `!document.body.innerText.includes("NO BROKER")`)
	// press presses a button and returns the command that the cart received.
	press := func(label, answer string) string {
		t.Helper()
		time.Sleep(500 * time.Millisecond) // new buttons do not count at once
		button := `[...document.querySelectorAll("#actions button, #changes button")].find((b) => b.textContent === "` + label + `")`
		seen(t, tab, "the button "+label, button+` !== undefined`)
		script[chromedp.Void](t, tab, button+`.click()`)
		seen(t, tab, "the answer to "+label, `document.getElementById("reply").textContent.startsWith("`+answer+`")`)
		return <-heard
	}
	// enter types text into an entry.
	enter := func(id, text string) {
		t.Helper()
		seen(t, tab, "the entry "+id, `document.getElementById("`+id+`")?.checkVisibility()`)
		do(t, tab, chromedp.Evaluate[chromedp.Void](`document.getElementById("`+id+`").select()`), chromedp.KeyEvent(text))
	}
	same := func(got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("the cart heard %s, want %s", got, want)
		}
	}

	cart.say("volumes", volumes("", 0, 0, 0))
	cart.say("job", job("", `[{"text":"Open a job."}]`, ""))
	enter("open-vehicle", "van")
	enter("open-fluid", "amber 6")
	enter("open-low", "35")
	enter("open-high", "45.5")
	same(press("Open", "✓"), `{"by":"board","do":"open","fluid":"amber 6","high_c":45.5,"low_c":35,"vehicle":"van"}`)

	torque := `[{"text":"Record: bolt torque.","do":"record","item":"torque"}]`
	cart.say("volumes", volumes("service", 4, 0, 3.2))
	cart.say("job", job("service", torque, sheet))
	enter("torque", "100 in-lb")
	cart.say("job", job("service", strings.Replace(torque, "bolt torque", "bolt torque, all of them", 1), sheet))
	seen(t, tab, "new buttons", `document.getElementById("actions").textContent.includes("all of them")`)
	if focused := script[string](t, tab, `document.activeElement.id`); focused != "torque" {
		t.Errorf("after new buttons the keys go to %q", focused)
	}
	same(press("Done", "✓"), `{"applied":"100 in-lb","by":"board","do":"record","item":"torque","result":"done","specified":"10.96 N m"}`)
	same(press("Done", "✓"), `{"applied":"10.96 N m","by":"board","do":"record","item":"torque","result":"done","specified":"10.96 N m"}`)

	cart.say("volumes", volumes("filling", 4, 0.5, 2.7))
	cart.say("job", job("filling", `[]`, sheet))
	same(press("Engine runs", "✗"), `{"by":"board","do":"phase","phase":"running"}`)
	keep(t, tab, "refused-1024")
	enter("why-filling", "it was filled before")
	same(press("Engine runs", "✓"), `{"by":"board","do":"phase","phase":"running","why":"it was filled before"}`)
	seen(t, tab, "no more question", `!document.getElementById("why-filling").checkVisibility()`)

	cart.say("job", job("filling", `[]`, sheet+`,"changes":[{"change":3,"at":"2026-11-25T09:08:00.000Z","sensor":"supply-scale","kg":-0.4,"u_kg":0.01,"l":-0.47,"cause":"sudden","as":"thing","by":"board"},`+
		`{"change":4,"at":"2026-11-25T09:09:00.000Z","sensor":"supply-scale","kg":0.41,"u_kg":0.01,"l":0.48,"cause":"sudden"}]`))
	script[chromedp.Void](t, tab, `document.querySelector("header [popovertarget=changes]").click()`)
	seen(t, tab, "the list of changes", `document.querySelectorAll("#changes:popover-open fieldset").length === 2`)
	keep(t, tab, "changes-1024")
	for _, wrong := range script[[]string](t, tab, lookForWrong(false)) {
		t.Errorf("the list of changes: %s", wrong)
	}
	same(press("Bottle, thrown away", "✓"), `{"as":"bottle","by":"board","change":3,"change_at":"2026-11-25T09:08:00.000Z","do":"answer"}`)
}

var pageUpdates = flag.Int("page-updates", 2000, "updates that a page hears; a day at five a second are 432000")

// A page keeps none of the updates that it receives.
func TestPageForgets(t *testing.T) {
	tab := bridgetest.StartChromium(t)
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	now := time.Now()
	b.hub.linked(true, "", now)
	b.hub.receive(bay2+"presence", []byte(online("a")), true, now)
	pieces := func(i int) string {
		b.hub.receive(bay2+"volumes", []byte(volumes("filling", 4, float64(i)/10, 1)), false, now)
		b.hub.receive(bay2+"job", []byte(job("filling", `[{"text":"Pour."}]`, "")), false, now)
		v, _ := b.hub.look("bay2", true, now)
		u := update{Board: b.token, Pieces: map[string]string{}}
		for _, name := range cartPieces {
			var out bytes.Buffer
			if err := pages.ExecuteTemplate(&out, name, v); err != nil {
				t.Fatal(err)
			}
			u.Pieces[name] = out.String()
		}
		text, err := json.Marshal(u)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	// This replaces the stream, so that a day passes in seconds.
	feed := `window.EventSource = class { constructor() { window.stream = this; } close() {} }`
	bridgetest.InBrowser(t, tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: feed})
		return chromedp.Void{}, err
	})
	do(t, tab, chromedp.Navigate(server.URL+"/cart/bay2"))
	var different []string
	for i := range 40 {
		different = append(different, pieces(i))
	}
	messages, err := json.Marshal(different)
	if err != nil {
		t.Fatal(err)
	}
	script[chromedp.Void](t, tab, fmt.Sprintf(`window.messages = %s; void 0`, messages))
	hear := func(n int) (nodes int64, heap float64) {
		for done := 0; done < n; done += 1000 { // between calls the page is drawn
			script[chromedp.Void](t, tab, fmt.Sprintf(`(() => { for (let i = %d; i < %d; i++) window.stream.onmessage({data: messages[i %% 40]}); })()`,
				done, min(done+1000, n)))
		}
		bridgetest.InBrowser(t, tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
			for range 2 {
				if _, err := cdp.Call(ctx, target, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
					return chromedp.Void{}, err
				}
			}
			counters, err := cdp.Call(ctx, target, memory.GetDOMCounters, cdp.Empty{})
			nodes = counters.Nodes
			if err != nil {
				return chromedp.Void{}, err
			}
			usage, err := cdp.Call(ctx, target, runtime.GetHeapUsage, cdp.Empty{})
			heap = usage.UsedSize
			return chromedp.Void{}, err
		})
		return nodes, heap
	}
	nodes, heap := hear(100)
	nodesAfter, heapAfter := hear(*pageUpdates)
	t.Logf("nodes %d, then %d; heap %.0f kB, then %.0f kB", nodes, nodesAfter, heap/1024, heapAfter/1024)
	if nodesAfter > nodes*5/4 || heapAfter > heap+1<<20 {
		t.Errorf("%d updates left %d nodes and %.0f kB behind", *pageUpdates, nodesAfter-nodes, (heapAfter-heap)/1024)
	}
}
