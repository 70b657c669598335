package board

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"

	"bayfill/bridge/wire"
)

// signalOf is a question about a change with this signal, 0.3 s between two points.
func signalOf(kg float64, points ...float64) *wire.JobQuestion {
	q := &wire.JobQuestion{Kg: wire.Number(kg), TraceStepS: 0.3}
	for _, p := range points {
		q.TraceKg = append(q.TraceKg, wire.Number(p))
	}
	return q
}

// The picture reaches from the lowest to the highest point, and each text stands at the end
// of its line.
func TestTrace(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		what     string
		question *wire.JobQuestion
		signal   string
		beforeY  float64
		texts    string
	}{
		{"something came", signalOf(1.23, 0, 0, 1.23, 1.23, 1.23), "M5.0 91.0h0L34.8 91.0L64.5 9.0L94.2 9.0L124.0 9.0", 91, "+1.23 kg at 18, 1 s at 82"},
		{"something went", signalOf(-0.5, 0, -0.5, -0.5, -0.5, -0.5), "M5.0 9.0h0L34.8 91.0L64.5 91.0L94.2 91.0L124.0 91.0", 9, "−0.50 kg at 82, 1 s at 18"},
		{"it swings and comes back a little lighter", signalOf(-0.1, 0, 1, -1, 0.5, -0.1), "M5.0 50.0h0L34.8 9.0L64.5 91.0L94.2 29.5L124.0 54.1", 50, "−0.10 kg at 82, 1 s at 50"},
		{"and a little heavier", signalOf(0.1, 0, 1, -1, 0.5, 0.1), "M5.0 50.0h0L34.8 9.0L64.5 91.0L94.2 29.5L124.0 45.9", 50, "+0.10 kg at 18, 1 s at 50"},
		{"a swing upwards alone", signalOf(0.1, 0, 0, 2, 0, 0.1), "M5.0 91.0h0L34.8 91.0L64.5 9.0L94.2 91.0L124.0 86.9", 91, "+0.10 kg at 50, 1 s at 82"},
		{"a point is unknown", signalOf(12.34, 0, nan, 10, 10, nan), "M5.0 91.0h0M64.5 9.0h0L94.2 9.0", 91, "+12.3 kg at 18, 1 s at 82"},
		{"two points", signalOf(1, 0, 1), "M5.0 91.0h0L124.0 9.0", 91, "+1.00 kg at 18,  at 82"},
	} {
		p := newTrace(c.question)
		if got := fmt.Sprintf("%s at %g, %s at %g", p.Size, p.SizeY, p.Lasts, p.LastsY); !p.Known || p.Signal.String() != c.signal || p.BeforeY != c.beforeY || got != c.texts {
			t.Errorf("%s: %v, before %g, %s; want %s, before %g, %s", c.what, p.Signal, p.BeforeY, got, c.signal, c.beforeY, c.texts)
		}
	}
	long := signalOf(1, make([]float64, 65)...)
	long.TraceKg[64] = 1
	for what, q := range map[string]*wire.JobQuestion{
		"no signal": signalOf(1.23), "one point": signalOf(1.23, 1.23), "nothing known": signalOf(1.23, nan, nan, nan),
		"no change in it": signalOf(1.23, 0, 0.004, -0.004, 0), "no weight": signalOf(nan, 0, 1, 1),
		"forged weights": signalOf(1, 0, 1e300), "a forged length": long,
	} {
		if p := newTrace(q); p.Known {
			t.Errorf("%s: yet there is a picture: %+v", what, p)
		}
	}
}

// The time that a picture covers is in words only if it is known.
func TestTraceLasts(t *testing.T) {
	for stepS, want := range map[float64]string{0.31: "5 s", 1.85: "28 s", 20: "5 min", 0: "", -1: "", math.NaN(): "", 1e300: "", math.Inf(1): ""} {
		q := signalOf(1.2, append(make([]float64, 15), 1.2)...)
		q.TraceStepS = wire.Number(stepS)
		if got := newTrace(q).Lasts; got != want {
			t.Errorf("15 steps of %g s: %q, want %q", stepS, got, want)
		}
	}
}

// The picture is in the panel of the question, and only of the oldest one.
func TestQuestionShowsTheSignal(t *testing.T) {
	h := liveHub(t)
	ask := func(questions string) string {
		h.receive(bay2+"job", []byte(job("filling", `[]`, `,"questions":[`+questions+`]`)), false, noon)
		var out bytes.Buffer
		if err := pages.ExecuteTemplate(&out, "actions", look(h, 0)); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	question := func(kg, rest string) string {
		return `{"change":1,"at":"2026-11-25T09:08:00.000Z","sensor":"caddy","kg":` + kg + `,"l":1,"text":"?","answers":["gone"]` + rest + `}`
	}
	signal := `,"trace_kg":[0,0,1.23,1.23],"trace_step_s":1.4`
	html := ask(question("1.23", signal) + "," + question("2.34", signal))
	for _, want := range []string{`<fieldset class="urgent"`, `aria-label="the scale's signal around the change: &#43;1.23 kg, over 4 s"`, `d="M5.0 91.0h0L44.7 91.0L84.3 9.0L124.0 9.0"`, `>&#43;1.23 kg</text>`} {
		if strings.Count(html, want) != 1 {
			t.Errorf("the panel lacks %s: %s", want, html)
		}
	}
	// A bridge that does not send the signal.
	for _, rest := range []string{``, `,"trace_kg":[],"trace_step_s":null`, `,"trace_kg":null`} {
		if html := ask(question("1.23", rest)); strings.Contains(html, "<svg") || !strings.Contains(html, "Gone again") {
			t.Errorf("%s: %s", rest, html)
		}
	}
	if html := ask(question("1.23", `,"trace_kg":[0,0,null,1.23]`)); !strings.Contains(html, `aria-label="the scale's signal around the change: &#43;1.23 kg"`) {
		t.Errorf("without a time: %s", html)
	}
}
