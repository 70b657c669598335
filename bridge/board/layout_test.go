package board

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
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

// inject runs a script before those of each page that is loaded from now on.
func inject(t testing.TB, tab context.Context, source string) {
	t.Helper()
	bridgetest.InBrowser(t, tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: source})
		return chromedp.Void{}, err
	})
}

// prefer sets what the screen prefers: light or dark colours.
func prefer(t testing.TB, tab context.Context, scheme string) {
	t.Helper()
	features := []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}
	bridgetest.InBrowser(t, tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: features})
		return chromedp.Void{}, err
	})
}

// seen waits until a script is true in the page.
func seen(t testing.TB, tab context.Context, what, condition string) {
	t.Helper()
	bridgetest.Eventually(t, 15*time.Second, what, func() bool { return script[bool](t, tab, "("+condition+") === true") })
}

// screens are those that hang and stand in workshops.
var screens = []struct {
	name          string
	width, height int64
}{{"1920x1080", 1920, 1080}, {"1366x768", 1366, 768}, {"1280x800", 1280, 800}, {"1024x768", 1024, 768}, {"800x1280", 800, 1280}, {"390x844", 390, 844}}

// In every state, at every size, in each language with each units, in a bright bay and a dark
// one, the instruction, the figure and every answer are on the screen, whole and legible.
func TestEveryStateFitsEveryScreen(t *testing.T) {
	p := newStill(t)
	inject(t, p.tab, `localStorage.setItem("bayfill by", JSON.stringify(["Ada", "Konstantin", "María José", "Wilhelmina"]))`) // who has worked there
	for language, scheme := range map[words.Language]string{words.English: "light", words.Spanish: "dark"} {
		prefer(t, p.tab, scheme)
		p.open(language)
		for i, screen := range screens {
			do(t, p.tab, chromedp.EmulateViewport(screen.width, screen.height))
			for _, wrong := range p.lookAtReplies(words.Reader{Language: language, Units: units.US, Zone: time.UTC}) {
				t.Errorf("%s, %s: %s", language, screen.name, wrong)
			}
			for k, s := range states() {
				s.hear(p.b, time.Now())
				for _, system := range pairedUnits(i + k) {
					update := p.update(words.Reader{Language: language, Units: system, Zone: time.UTC})
					found := script[[]string](t, p.tab, hear(update)+lookForWrong+".concat("+lookAtDialogs+")")
					keep(t, p.tab, fmt.Sprintf("%s-%s-%s-%s", s.name, system, language, screen.name))
					for _, wrong := range found {
						t.Errorf("%s, %s, %s, %s: %s", s.name, system, language, screen.name, wrong)
					}
				}
			}
		}
	}
}

// pairedUnits are imperial ones, whose texts are the longest, and every second time one of the
// others, so that each state is seen with each; all when pictures are kept.
func pairedUnits(n int) []units.System {
	if os.Getenv("BAYFILL_SCREENSHOTS") != "" {
		return units.Systems
	}
	return []units.System{units.Imperial, []units.System{units.Metric, units.US}[n%2]}
}

// lookAtReplies lets the cart refuse what the longest dialog sends, with one of the longest
// sentences, and lists what is wrong with the reply, there, above the page, and where a reason is
// asked for.
func (p *still) lookAtReplies(r words.Reader) []string {
	p.Helper()
	p.shows(named(p, "no job"), r)
	refusal := r.Say(fillcalc.Text{Key: "refuse.same_name", Names: map[string]string{"job": "order-2026-11-25-17", "cart": "bay2", "ended_when": "2026-11-25T12:00:00Z"}})
	return bridgetest.InBrowser(p, p.tab, chromedp.Evaluate[[]string](fmt.Sprintf(lookAtReply, refusal), chromedp.EvalAwaitPromise))
}

const lookAtReply = `(async () => {
	const wrong = [], answer = {ok: false, text: %q, insist: true}, settle = () => new Promise((done) => setTimeout(done, 20));
	const byId = (id) => document.getElementById(id), dialogs = byId('dialogs'), reply = byId('reply'), insist = byId('insist-why');
	window.fetch = async () => ({ok: true, json: async () => answer});
	const look = (where, outer) => {
		for (const e of outer.querySelectorAll(outer === reply ? 'p, button' : 'p, button, input')) {
			if (!e.checkVisibility()) continue;
			const r = e.getBoundingClientRect(), name = e.textContent.trim().slice(0, 20) || e.id;
			if (r.left < 0 || r.top < 0 || r.right > innerWidth || r.bottom > innerHeight) wrong.push(where + ': ' + name + ' is off the screen: ' + [r.left, r.top, r.right, r.bottom].map(Math.round));
			if (e.tagName === 'BUTTON' && (r.width < 55.5 || r.height < 55.5 || r.height > 100 || e.scrollWidth > e.clientWidth + 1)) wrong.push(where + ': the button ' + name + ' is ' + r.width + ' x ' + r.height);
			if (r.bottom > byId('answers').getBoundingClientRect().top && !e.closest('dialog')) wrong.push(where + ': ' + name + ' covers the answers');
		}
	};
	dialogs.dataset.shows = 'open';
	for (const s of dialogs.querySelectorAll('section')) s.hidden = s.dataset.dialog !== 'open';
	dialogs.showModal();
	dialogs.querySelector('section:not([hidden]) button.main').click();
	await settle();
	look('refused in a dialog', reply);
	byId('insist').click();
	look('asked for a reason', insist);
	byId('insist-reason').value = 'it is right';
	byId('insist-send').click();
	await settle();
	look('refused with a reason', insist);
	insist.close();
	document.body.append(reply);
	look('refused on the page', reply);
	byId('seen').click();
	return wrong;
})()`

// lookAtDialogs is a script that opens each dialog and lists what is wrong with it. Long ones
// may scroll, but never sideways.
const lookAtDialogs = `(() => {
	const wrong = [], dialogs = document.getElementById('dialogs');
	dialogs.showModal();
	for (const shown of dialogs.querySelectorAll('section')) {
		for (const other of dialogs.querySelectorAll('section')) other.hidden = other !== shown;
		const name = shown.dataset.dialog, d = dialogs.getBoundingClientRect();
		if (d.left < 0 || d.right > innerWidth || d.top < 0 || d.bottom > innerHeight) wrong.push('dialog ' + name + ' leaves the screen');
		if (dialogs.scrollWidth > dialogs.clientWidth + 1) wrong.push('dialog ' + name + ' scrolls sideways');
		if (dialogs.scrollHeight > dialogs.clientHeight + 1 && name !== 'more') wrong.push('dialog ' + name + ' scrolls');
		for (const b of shown.querySelectorAll('button, input, select, a')) {
			const r = b.getBoundingClientRect();
			if (r.height < 55.5 || r.width < 55.5) wrong.push('in dialog ' + name + ', ' + (b.textContent || b.name) + ' is ' + r.width + ' x ' + r.height);
		}
	}
	dialogs.close();
	return wrong;
})()`

// lookForWrong is a script that lists the faults of a page.
const lookForWrong = `(() => {
	const wrong = document.body.dataset.started ? [] : ['the script stopped'], box = (e) => e.getBoundingClientRect(), page = document.documentElement;
	if (page.scrollWidth > innerWidth || page.scrollHeight > innerHeight) wrong.push('the page scrolls: ' + page.scrollWidth + ' x ' + page.scrollHeight);
	const inside = (e, outer, what) => {
		const a = box(e), o = outer ?? {left: 0, top: 0, right: innerWidth, bottom: innerHeight};
		if (a.left < o.left - 1 || a.top < o.top - 1 || a.right > o.right + 1 || a.bottom > o.bottom + 1) wrong.push(what + ' reaches outside: ' + [a.left, a.top, a.right, a.bottom].map(Math.round));
	};
	const name = (e) => e.id || e.textContent.trim().replace(/\s+/g, ' ').slice(0, 40);
	// Regions are on the screen and do not overlap.
	const regions = ['bar', 'band', 'stage', 'caution', 'answers'].map((id) => document.getElementById(id)).filter((e) => e && e.checkVisibility());
	regions.forEach((r, i) => {
		inside(r, null, r.id);
		for (const other of regions.slice(i + 1)) if (box(r).bottom > box(other).top + 1) wrong.push(r.id + ' overlaps ' + other.id);
		if (r.id !== 'stage' && (r.scrollWidth > r.clientWidth + 2 || r.scrollHeight > r.clientHeight + 2)) wrong.push(r.id + ' is cut off: ' + r.scrollWidth + ' x ' + r.scrollHeight + ' in ' + r.clientWidth + ' x ' + r.clientHeight);
	});
	// Every button is whole and large enough for gloves.
	for (const b of document.querySelectorAll('button, a, input')) {
		if (!b.checkVisibility()) continue;
		if (!b.closest('.pic') || box(b).left < box(b.closest('.pic')).right) inside(b, null, 'button ' + name(b)); // what has no room is away
		const pic = b.closest('.pic') && box(b.closest('.pic'));
		if (pic && box(b).left < pic.right && box(b).top < pic.bottom && box(b).bottom > pic.bottom) wrong.push('button ' + name(b) + ' is cut');
		const size = b.closest('.list') ? 47.5 : 55.5;
		if (box(b).height < size || box(b).width < size) wrong.push('button ' + name(b) + ' is ' + box(b).width + ' x ' + box(b).height);
		if (b.scrollWidth > b.clientWidth + 1 || b.scrollHeight > b.clientHeight + 1) wrong.push('text leaves the button ' + name(b));
	}
	// The figure and what stands with it.
	const stage = box(document.getElementById('stage'));
	for (const e of document.querySelectorAll('.fig, .number, .label, .in')) if (e.checkVisibility()) inside(e, stage, e.className);
	const number = document.querySelector('.number');
	if (number?.checkVisibility() && number.scrollWidth > number.clientWidth + 1) wrong.push('the figure is cut off');
	const digits = number ? parseFloat(getComputedStyle(number).fontSize) : NaN;
	if (innerWidth === 1920 && digits < 0.19 * innerHeight && !document.querySelector('.in.card, .in.list')) wrong.push('the figure is ' + digits + ' px high');
	if (document.querySelectorAll('.steps .now').length && !document.querySelector('.steps .now').checkVisibility()) wrong.push('no step');
	// Notes are whole or away.
	const notes = document.querySelector('.notes'), around = notes && box(notes);
	for (const p of notes?.children ?? []) {
		const a = box(p);
		if (a.left < around.right - 1 && a.top < around.bottom - 1 && (a.bottom > around.bottom + 1 || a.right > around.right + 1)) wrong.push('a note is cut: ' + name(p));
	}
	// Every fact of the result card is there; of the reasons those that have room.
	const rows = document.querySelector('.rows');
	if (rows?.checkVisibility()) {
		for (const p of rows.querySelectorAll('.verdict, .facts p')) inside(p, box(rows), 'row ' + name(p));
		for (const b of rows.querySelectorAll('.facts b')) inside(b, box(b.parentElement), 'the fact ' + name(b));
		const whys = box(rows.querySelector('.whys'));
		for (const p of rows.querySelectorAll('.whys p')) if (box(p).left < whys.right - 1 && box(p).bottom > whys.bottom + 1) wrong.push('a reason is cut: ' + name(p));
	}
	for (const svg of document.querySelectorAll('.pic svg text')) {
		if (!svg.checkVisibility()) continue;
		const a = box(svg), o = box(svg.closest('.pic'));
		if (a.left < o.left - 2 || a.right > o.right + 2 || a.top < o.top - 2 || a.bottom > o.bottom + 2) wrong.push('text leaves the picture: ' + svg.textContent);
	}
	// Contrast.
	const parse = (c) => { const m = c.match(/[\d.]+/g).map(Number); return m.length > 3 && m[3] === 0 ? null : m; };
	const light = (c) => [0.2126, 0.7152, 0.0722].reduce((sum, w, i) => {
		const v = c[i] / 255;
		return sum + w * (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
	}, 0);
	const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n; (n = walker.nextNode());) {
		const e = n.parentElement;
		if (!n.data.trim() || !e.checkVisibility() || e.closest('noscript, script, dialog')) continue;
		const front = parse(e.closest('svg') ? getComputedStyle(e).fill : getComputedStyle(e).color);
		let ground = null;
		for (let g = e; g && !ground; g = g.parentElement) ground = parse(getComputedStyle(g).backgroundColor);
		const [a, b] = [light(front), light(ground ?? [255, 255, 255])].sort((x, y) => y - x);
		if ((a + 0.05) / (b + 0.05) < 7) wrong.push('contrast ' + ((a + 0.05) / (b + 0.05)).toFixed(1) + ' of "' + n.data.trim() + '"');
		const small = parseFloat(getComputedStyle(e).fontSize);
		if (!e.closest('svg') && small < 15.9) wrong.push('letters of ' + small + ' px: ' + n.data.trim());
	}
	return wrong;
})()`
