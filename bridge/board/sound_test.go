package board

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// ear takes the place of the loudspeaker: the page plays into a buffer, in which the notes are
// measured. What is to be repeated is remembered, not waited for.
const ear = `
window.listen = () => { window.buffer = new OfflineAudioContext(1, 16000 * 3, 16000); window.repeats = 0; };
listen();
window.AudioContext = class {
	state = 'running'; currentTime = 0;
	get destination() { return buffer.destination; }
	createOscillator() { return buffer.createOscillator(); }
	createGain() { return buffer.createGain(); }
	resume() {}
};
const realInterval = window.setInterval;
window.setInterval = (f, ms) => ms === 500 ? realInterval(f, ms) : (window.repeats = ms / 1000);
// A note is where the signal is not near zero for 5 ms; its pitch is in how often it passes zero.
window.measure = async () => {
	const signal = (await buffer.startRendering()).getChannelData(0), notes = [];
	let note;
	for (let at = 0; at < signal.length; at += 80) {
		const loud = Math.max(...signal.subarray(at, at + 80).map(Math.abs));
		if (loud < 0.05) { note = undefined; continue; }
		if (!note) notes.push(note = {Start: at / 16000, passes: [], Loud: 0});
		note.Loud = Math.max(note.Loud, loud);
		for (let i = Math.max(at, 1); i < at + 80; i++) if (signal[i - 1] < 0 && signal[i] >= 0) note.passes.push(i);
	}
	return notes.map(({Start, passes, Loud}) => ({Start, Loud, Hertz: 16000 * (passes.length - 1) / (passes.at(-1) - passes[0])}));
};`

// heard are the notes that the page has played, and after how many seconds it repeats them; 0: it
// does not.
type heard struct {
	Notes   []struct{ Start, Loud, Hertz float64 }
	Repeats float64
}

// hears runs a script and measures what the page plays in it.
func (p *still) hears(what string) heard {
	p.Helper()
	return bridgetest.InBrowser(p, p.tab, chromedp.Evaluate[heard](what+`measure().then((Notes) => ({Notes, Repeats: repeats}))`, chromedp.EvalAwaitPromise))
}

// sounds are the notes of each tone, in hertz, and when they begin, in seconds; Repeats as above.
var sounds = map[fillcalc.Tone]struct {
	hertz, starts []float64
	repeats       float64
}{
	fillcalc.ToneSlow:       {[]float64{660}, []float64{0}, 0.25},
	fillcalc.ToneStop:       {[]float64{880, 660}, []float64{0, 0.25}, 0.6},
	fillcalc.ToneLost:       {[]float64{990, 990, 990}, []float64{0, 0.2, 0.4}, 1},
	fillcalc.ToneCheck:      {[]float64{523, 659, 784, 523, 659, 784}, []float64{0, 0.2, 0.4, 0.7, 0.9, 1.1}, 0},
	fillcalc.ToneClosing:    {[]float64{784, 523}, []float64{0, 0.3}, 20},
	fillcalc.ToneUnmeasured: {[]float64{440, 330, 440, 330}, []float64{0, 0.5, 1, 1.5}, 20},
	fillcalc.ToneAnswer:     {[]float64{440, 440}, []float64{0, 0.25}, 60},
	fillcalc.ToneDo:         {},
	fillcalc.ToneWait:       {},
	fillcalc.ToneDone:       {},
}

// Each state sounds as itself and as no other: near the line, at it, fluid that runs out below,
// the window as it opens and closes, an instrument that is not heard, a question. A screen whose
// sound is off is silent, and the switch survives a restart of the board, without a touch where
// the browser allows it.
func TestSounds(t *testing.T) {
	t.Parallel()
	p := newStill(t)
	inject(t, p.tab, ear)
	p.open(words.English)
	working := named(t, "filling")
	says := func(tone fillcalc.Tone) heard {
		t.Helper()
		update := func(tone fillcalc.Tone) string {
			working.job.Flow.Next[0].Tone = string(tone)
			working.hear(p.b, time.Now())
			return hear(p.update(words.Plain))
		}
		return p.hears(update(fillcalc.ToneDo) + `listen(); ` + update(tone))
	}
	press := `listen(); document.getElementById("sound").click(); `
	for tone := range sounds {
		if h := says(tone); len(h.Notes) > 0 {
			t.Errorf("%s sounds before the sound is switched on: %v", tone, h)
		}
	}
	p.hears(press)
	all := map[string]fillcalc.Tone{}
	for tone, want := range sounds {
		h := says(tone)
		ok := len(h.Notes) == len(want.hertz) && h.Repeats == want.repeats
		for i, n := range h.Notes {
			ok = ok && math.Abs(n.Hertz-want.hertz[i]) < 5 && math.Abs(n.Start-want.starts[i]) < 0.01 && n.Loud > 0.8
		}
		if !ok {
			t.Errorf("%s sounds as %+v, want %+v", tone, h, want)
		}
		if as := fmt.Sprint(want); len(h.Notes) > 0 {
			if other, is := all[as]; is {
				t.Errorf("%s sounds as %s", tone, other)
			}
			all[as] = tone
		}
	}
	working.alerts.Alerts = []wire.Alert{{Code: wire.AlertRunsOut, Said: wire.Said{Text: "it runs out"}}}
	if h := says(fillcalc.ToneLost); len(h.Notes) == 0 {
		t.Error("the alert of fluid that runs out below is silent")
	}

	// The page of an earlier run loads itself again.
	p.b.token += "2"
	p.shows(working, words.Plain)
	bridgetest.Eventually(t, 15*time.Second, "the page of the new run", func() bool {
		is, err := chromedp.Run(p.tab, chromedp.Evaluate[bool](`document.body?.dataset.token === "`+p.b.token+`" && document.body.dataset.started === "yes"`))
		return err == nil && is // not while it loads
	})
	if h := says(fillcalc.ToneStop); len(h.Notes) != 2 || script[string](t, p.tab, `document.getElementById("sound").getAttribute("aria-pressed")`) != "true" {
		t.Errorf("after a restart the tone stop sounds as %+v", h)
	}
	p.hears(press)
	for tone := range sounds {
		if h := says(tone); len(h.Notes) > 0 {
			t.Errorf("%s sounds although the sound is off: %v", tone, h)
		}
	}
}
