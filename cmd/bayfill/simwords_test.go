package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/journal"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// newHand is a hand on one simulated cart whose time the returned function moves.
func newHand(t *testing.T) (h *hand, out *bytes.Buffer, pass func(time.Duration)) {
	t.Helper()
	rig, err := workshop("", 1, func() time.Duration { return 0 }, shopFloor{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { rig.Serve(ctx) })
	t.Cleanup(func() { stop(); running.Wait() })
	out = new(bytes.Buffer)
	h = &hand{reader: words.Plain, out: out, time: newSimTime(), carts: []simCart{{demoCart, rig}}}
	h.wait = h.time.wait
	return h, out, func(d time.Duration) {
		rig.Advance(t.Context(), d, func(time.Duration) {}, func(string) {})
	}
}

// Words do a job and prepare the next one.
func TestSimWords(t *testing.T) {
	h, out, pass := newHand(t)
	do := func(lines ...string) {
		t.Helper()
		out.Reset()
		for _, line := range lines {
			h.do(t.Context(), line)
		}
		if out.Len() > 0 {
			t.Errorf("%q: %s", lines, out)
		}
	}
	truth := func() sim.Truth { return h.rig().Truth() }
	do("drain")
	pass(3 * time.Minute)
	do("shut", "tip", "pour", "engine")
	pass(time.Minute)
	if now := truth(); now.DrainedKg < 3 || now.AddedKg < 2.5 || !now.EngineOn {
		t.Errorf("%+v", now)
	}
	do("stop", "off", "vehicle", "empty", "refill")
	pass(time.Minute)
	if now := truth(); now.DrainedKg != 0 || now.AddedKg > 0.1 || now.SumpKg < 3 || now.CaddyKg != 0 || now.SupplyKg < 5.9 || now.SupplyKg > 6.1 || now.EngineOn {
		t.Errorf("the next job: %+v", now)
	}
	load := func() (kg float64) {
		h.rig().Do(func(c *sim.Cart) { kg = c.LoadKg(sim.OnCaddy) })
		return kg
	}
	empty := load()
	do("weight 5 kg")
	pass(2 * time.Second)
	if kg := load() - empty; kg < 4.999 || kg > 5.001 {
		t.Errorf("weights of 5 kg weigh %.3f kg", kg)
	}
	do("weight 2 kg", "lean 1 kg", "wind 20 g", "kick", "tool", "take", "lean 0 kg", "swap", "probe ice", "probe boil", "probe fluid", "bottle bring", "bottle take", "bottle return", "bottle take", "bottle away", "unplug fluid-probe", "plug fluid-probe", "cart bay2", "fast 2", "wait 10ms")
}

// Nothing can be poured from bottles before one is in the hand, and then something can.
func TestSimPourNeedsABottle(t *testing.T) {
	rig, err := workshop("", 1, func() time.Duration { return 0 }, shopFloor{bottles: true})
	if err != nil {
		t.Fatal(err)
	}
	out := new(bytes.Buffer)
	h := &hand{reader: words.Plain, out: out, carts: []simCart{{demoCart, rig}}}
	for _, c := range []struct{ line, says string }{
		{"pour", "bottle take takes one in the hand"}, {"bottle bring", ""}, {"pour", "bottle take takes one in the hand"}, {"bottle take", ""}, {"pour", ""},
	} {
		out.Reset()
		if h.do(t.Context(), c.line); !strings.Contains(out.String(), c.says) || (c.says == "") != (out.Len() == 0) {
			t.Errorf("%s: %s", c.line, out)
		}
	}
}

// A word that is wrong is answered with what would be right.
func TestSimRefusesWords(t *testing.T) {
	h, out, _ := newHand(t)
	for line, says := range map[string]string{
		"dran": `did you mean "drain"?`, "zzzzzzzzzzz": "help lists them", "weight": "say it as: weight 5 kg", "drain now": "say it as: drain",
		"weight 5": "with its unit", "weight -1 kg": "from 0 to 30 kg", "probe oil": "not one of ice, boil, fluid", "bottle drink": "not one of take, return",
		"bottle take": "bottle bring", "cart bay9": "not one of bay2", "fast 1e9": "from 0.1 to 100", "wait soon": "such as 10 s", "unplug tap": `"tap" is not one of caddy-scale`,
	} {
		out.Reset()
		if h.do(t.Context(), line) || !strings.Contains(out.String(), says) {
			t.Errorf("%s: %s", line, out)
		}
	}
	for begun, full := range map[string]string{"dr": "drain ", "b": "bottle ", "bottle t": "bottle take", "unplug ca": "unplug caddy-", "cart ": "cart bay2", "x": "x", "": "", "pro": "probe ", "probe ": "probe "} {
		if got := h.complete(begun); got != full {
			t.Errorf("%q completes to %q, want %q", begun, got, full)
		}
	}
}

// A script is checked before it begins.
func TestSimScript(t *testing.T) {
	script := filepath.Join(t.TempDir(), "job.txt")
	write := func(text string) {
		if err := os.WriteFile(script, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("# a job\ndrain   # opens the pan\n\nfly\n")
	if status, _, errors := program(t.Context(), "sim", "--dir", t.TempDir(), "--script", script); status != exitConfig || !strings.Contains(errors, `line 4: "fly" is not a word`) {
		t.Errorf("status %d: %s", status, errors)
	}
	dir := t.TempDir()
	write("fast 20\ncart bay3\ndrain\nwait 10 s\ntruth\nquit\n")
	status, out, errors := program(t.Context(), "sim", "--dir", dir, "--script", script, "--carts", "2")
	if status != 0 || !strings.Contains(out, "Truly: out ") || strings.Contains(out, "out 0 mL") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	env, err := os.ReadFile(filepath.Join(dir, "env"))
	if err != nil || !strings.Contains(string(env), "export BAYFILL_CART=bay2\nexport BAYFILL_CONFIG="+dir+"/bayfill.yaml\n") {
		t.Errorf("%v: %s", err, env)
	}
	if status, out, errors := program(t.Context(), "check", "--config", filepath.Join(dir, configName)); status != 0 || !strings.Contains(out, "bay3") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
}

// A pipe that ends was the whole job. Without any input, as a service has it, the cart stays
// until it is stopped, and says so.
func TestSimInputEnds(t *testing.T) {
	h, out, _ := newHand(t)
	if err := h.play(t.Context(), nil, strings.NewReader("drain\ntruth\n")); err != nil || !strings.HasPrefix(out.String(), "Truly: ") {
		t.Errorf("%v: %s", err, out)
	}
	out.Reset()
	ctx, stop := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer stop()
	if err := h.play(ctx, nil, strings.NewReader("")); err != nil || ctx.Err() == nil || !strings.Contains(out.String(), "runs until Ctrl-C or the signal TERM") {
		t.Errorf("%v, %v: %s", err, ctx.Err(), out)
	}
}

// The next line is read, and so asked for at a terminal, when the one before it is done.
func TestSimAsksAgainWhenDone(t *testing.T) {
	h, _, _ := newHand(t)
	lines, restore := h.lines(strings.NewReader("drain\nshut\n"))
	defer restore()
	first := <-lines
	select {
	case second := <-lines:
		t.Errorf("%s before %s was done", second.line, first.line)
	case <-time.After(20 * time.Millisecond):
	}
	close(first.done)
	second := <-lines
	close(second.done)
	if _, more := <-lines; more || first.line != "drain" || second.line != "shut" {
		t.Errorf("%q, %q, %v", first.line, second.line, more)
	}
}

// Of a journal's newest job each instrument sends its readings at a port of its own.
func TestSimReplaysJournal(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "bay3.journal")
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	fluid := fillcalc.Fluid{Name: "amber 6", Model: fillcalc.Oil2004, DensityKgM3: 848, AtC: 15}
	if err := errors.Join(j.Append(t.Context(), journal.Batch{Events: budgetEvents(fluid)}), j.Close()); err != nil {
		t.Fatal(err)
	}
	recordings, err := readRecordings(t.Context(), path)
	if err != nil || len(recordings) != 1 {
		t.Fatalf("%d recordings: %v", len(recordings), err)
	}
	// The second of two jobs: 85 s of ten readings, until the fill has left 10 + 2 - 1.5 + 2 - 1.5 kg.
	pieces := recordings["scale"].Pieces
	if n := len(pieces); n != 851 || string(pieces[n-2].Bytes) != "ST,GS,+011.0000kg\r\n" || pieces[n-1].At != pieces[n-2].At || pieces[n-1].Bytes != nil {
		t.Errorf("%d pieces, %q and %q", n, pieces[n-2].Bytes, pieces[n-1].Bytes)
	}
	ctx, stop := context.WithCancel(t.Context())
	var out bridgetest.Output
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"sim", "--dir", dir, "--replay", path, "--lang", "es"}, strings.NewReader(""), &out, &out)
	}()
	port := filepath.Join(dir, "ports", "scale")
	bridgetest.Eventually(t, 10*time.Second, "the port", func() bool { return strings.Contains(out.String(), "Ctrl-C") })
	if status, said, errors := program(t.Context(), "listen", "--for", "500ms", port); status != 0 || !strings.Contains(said, "pattern: status-kind-value-unit") {
		t.Errorf("status %d: %s%s", status, said, errors)
	}
	bridgetest.Spanish(t, out.String(), dir)
	if stop(); <-ended != 0 {
		t.Error(out.String())
	}
	if status, _, errors := program(t.Context(), "sim", "--replay", filepath.Join(dir, "none"), "--dir", dir); status != exitConfig || !strings.Contains(errors, "--replay: ") {
		t.Errorf("status %d: %s", status, errors)
	}
}

// What listen records, sim plays back: a developer sees what a shop's scale said.
func TestSimReplaysRecording(t *testing.T) {
	bridgetest.Slow(t)
	dir := t.TempDir()
	t.Setenv("BAYFILL_SIM", dir)
	play := func(args ...string) (out *bridgetest.Output, end func()) {
		ctx, stop := context.WithCancel(t.Context())
		out = new(bridgetest.Output)
		in, keep := io.Pipe()
		ended := make(chan int, 1)
		go func() { ended <- run(ctx, append([]string{"sim", "--dir", dir}, args...), in, out, out) }()
		return out, func() { stop(); <-ended; keep.Close() }
	}
	out, end := play()
	bridgetest.Eventually(t, 10*time.Second, "the cart", func() bool { return strings.Contains(out.String(), "Type help") })
	port, recording := filepath.Join(dir, "ports", "caddy-scale"), filepath.Join(dir, "scale.txt")
	if status, out, errors := program(t.Context(), "ports"); status != 0 || !strings.Contains(out, port+"\n    simulated") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	status, said, errors := program(t.Context(), "listen", "--for", "1s", "--record", recording, "--record-for", "1s", port)
	if status != 0 {
		t.Fatalf("status %d: %s%s", status, said, errors)
	}
	end()
	out, end = play("--replay", recording)
	defer end()
	bridgetest.Eventually(t, 10*time.Second, "the recording", func() bool {
		return strings.Contains(out.String(), "listen "+filepath.Join(dir, "ports", "replay")) || strings.Contains(out.String(), "Ctrl-C")
	})
	status, said, errors = program(t.Context(), "listen", "--for", "1s", filepath.Join(dir, "ports", "replay"))
	if status != 0 || !strings.Contains(said, "pattern: status-kind-value-unit") {
		t.Errorf("status %d: %s%s", status, said, errors)
	}
}
