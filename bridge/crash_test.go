package bridge

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// These variables make the test binary a bridge, because kill -9 needs a separate process.
const (
	childConfig = "BAYFILL_TEST_CHILD_CONFIG"
	childSpeed  = "BAYFILL_TEST_CHILD_SPEED"
	// This one, with a broker and ports, makes it the bare loop of the benchmarks.
	bareLoopEnv = "BAYFILL_TEST_BARE_LOOP"
	feedEnv     = "BAYFILL_TEST_FEED"
)

func TestMain(m *testing.M) {
	if file := os.Getenv(childConfig); file != "" {
		if err := runChild(file); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if bare := strings.Fields(os.Getenv(bareLoopEnv)); len(bare) > 0 {
		bareLoop(bare[0], bare[1:])
		os.Exit(0)
	}
	if os.Getenv(feedEnv) != "" {
		feedLines(os.NewFile(3, "instrument"))
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func runChild(file string) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	speed, err := strconv.ParseFloat(os.Getenv(childSpeed), 64)
	if err != nil {
		return err
	}
	config, err := config.Load(file)
	if err != nil {
		return err
	}
	b, err := New(ctx, config, Options{Log: slog.New(slog.NewTextHandler(os.Stderr, nil)), Speed: speed})
	if err != nil {
		return err
	}
	return b.Run(ctx)
}

// childBridge returns a bridge in a process of its own, not started yet.
func childBridge(t *testing.T, config string, speed float64) *bridgetest.Process {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "bayfill.yaml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	p := &bridgetest.Process{T: t, Path: self, Env: []string{childConfig + "=" + file, fmt.Sprintf("%s=%g", childSpeed, speed)}}
	t.Cleanup(func() {
		p.Stop(syscall.SIGKILL)
		if t.Failed() {
			t.Logf("the bridge said:\n%s", p.Log.String())
		}
	})
	return p
}

// copyJournal copies the journal of a killed bridge without opening the original, so that
// the next bridge finds it unchanged.
func copyJournal(t *testing.T, data string) string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(data, "cart.journal*"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no journal: %v", err)
	}
	dir := t.TempDir()
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, filepath.Base(file)), text, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "cart.journal")
}

// The bridge is killed in the middle of a drain. The will reports it, the restarted bridge
// goes on from what was on disk, the fluid that drained meanwhile is weighed, and in the end
// nothing is lost.
func TestKilledInMidDrain(t *testing.T) {
	const speed = 10
	broker := bridgetest.StartMosquitto(t)
	rig := bridgetest.NewRig(t, speed)
	data := t.TempDir()
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	p := childBridge(t, bridgetest.ConfigText(rig, data, broker.URL, ""), speed)
	p.Start()
	first := bridgetest.Online(t, s, "")
	ready(t, s)
	const open, drain = `{"id":"before-1",` + bridgetest.OpenJob + `}`, `{"id":"before-2","do":"phase","phase":"draining"}`
	for _, c := range []string{open, drain} {
		// A refused command may be sent again under its id.
		bridgetest.Eventually(t, 20*time.Second, "settled scales", func() bool {
			r := s.Command(c)
			if !r.OK && !strings.Contains(r.Error, "has not been heard") {
				t.Fatal(r.Error)
			}
			return r.OK
		})
	}
	answered, _ := s.Last("/replies/before-1")
	weighed(t, s, "draining")
	rig.Do((*sim.Cart).OpenDrain)
	bridgetest.Eventually(t, 30*time.Second, "a litre and a half", func() bool { return float64(bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).DrainedL) > 1.5 })

	killed := time.Now()
	p.Stop(syscall.SIGKILL)
	bridgetest.Eventually(t, 10*time.Second, "the will", func() bool { return !bridgetest.Read[wire.Presence](s, wire.PresenceLeaf).Online })
	if will := bridgetest.Read[wire.Presence](s, wire.PresenceLeaf); will.Since != nil || will.Session != first.Session || will.Why != "" || will.Contract != wire.ContractVersion {
		t.Errorf("the will says %+v, the birth was %+v", will, first)
	}

	// The journal holds what was shown, except for the last half second.
	events := journaltest.EventsIn(t, copyJournal(t, data))
	var state fillcalc.State
	after := map[uint64]fillcalc.State{}
	for _, e := range events {
		state = fillcalc.Apply(state, e)
		after[e.Seq] = state
	}
	var lost time.Duration
	compared := 0
	var shown wire.Volumes
	for _, m := range s.All() {
		if !strings.HasSuffix(m.Topic, "/volumes") {
			continue
		}
		var v wire.Volumes
		if err := json.Unmarshal(m.Payload, &v); err != nil {
			t.Fatal(err)
		}
		at, there := after[v.Seq]
		if !there {
			lost = max(lost, killed.Sub(m.At))
			continue
		}
		compared++
		shown = v
		if want := string(wire.Encode(wire.VolumesOf(&at))); string(m.Payload) != want {
			t.Fatalf("shown was\n%s\nthe journal gives\n%s", m.Payload, want)
		}
	}
	onDisk := state.Volumes()
	if compared < 5 || onDisk.DrainedL < 0.1 {
		t.Fatalf("%d volumes compared, %.3f L on disk", compared, onDisk.DrainedL)
	}
	// It is saved every half second; a loaded machine may take longer.
	if lost > 5*time.Second {
		t.Errorf("the last %v are not on disk", lost)
	}

	// Fluid drains on while no bridge runs.
	atKill := rig.Truth().DrainedKg
	bridgetest.Eventually(t, 30*time.Second, "more in the caddy", func() bool { return rig.Truth().DrainedKg > atKill+0.3 })
	p.Start()
	second := bridgetest.Online(t, s, first.Session)
	bridgetest.Eventually(t, 20*time.Second, "what drained meanwhile", func() bool {
		v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
		return float64(v.DrainedL+v.UndecidedL) > onDisk.DrainedL+0.25
	})

	// A command from before the kill is repeated.
	if r := s.Command(open); !r.OK {
		t.Errorf("repeated: %s", r.Error)
	}
	if m, _ := s.Last("/replies/before-1"); string(m.Payload) != string(answered.Payload) {
		t.Errorf("repeated: %s, at first %s", m.Payload, answered.Payload)
	}

	// Nothing is lost.
	rig.Do((*sim.Cart).CloseDrain)
	bridgetest.Eventually(t, 30*time.Second, "a quiet caddy", func() bool {
		v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
		return v.Quality == "good" && math.Abs(float64(v.DrainedLMin)) < 0.05
	})
	answerAll(s)
	v, truth := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf), rig.Truth().DrainedL(bridgetest.UsedFluid, 20)
	if d := float64(v.DrainedL) - truth; math.Abs(d) > 0.02 {
		t.Errorf("drained %.4f L is %+.4f L from the truth", v.DrainedL, d)
	}
	t.Logf("on disk %.3f L (shown last with it %.3f, %d volumes equal), not on disk the last %v; in the end %.4f L, truth %.4f L",
		onDisk.DrainedL, shown.DrainedL, compared, lost.Round(time.Millisecond), v.DrainedL, truth)

	p.Cmd.Process.Signal(syscall.SIGTERM)
	if err := p.Cmd.Wait(); err != nil {
		t.Errorf("a clean stop ended with %v", err)
	}
	p.Cmd = nil
	bridgetest.Eventually(t, 10*time.Second, "the goodbye", func() bool { return !bridgetest.Read[wire.Presence](s, wire.PresenceLeaf).Online })
	if bye := bridgetest.Read[wire.Presence](s, wire.PresenceLeaf); bye.Why != "stopped" || bye.Session != second.Session {
		t.Errorf("after a clean stop presence is %+v", bye)
	}
	// In the whole journal no event is missing, and the tally continues where it was.
	inputs := map[string]int{}
	var again fillcalc.State
	resumed := math.NaN()
	for i, e := range journaltest.EventsIn(t, filepath.Join(data, "cart.journal")) {
		if e.Seq != uint64(i+1) {
			t.Fatalf("event %d is in place %d", e.Seq, i+1)
		}
		if e.Input != nil {
			inputs[e.Input.ID]++
		}
		again = fillcalc.Apply(again, e)
		if e.Seq > state.Seq && math.IsNaN(resumed) {
			resumed = again.Volumes().DrainedL
		}
	}
	// What was not decided at the kill may count since the restart.
	if resumed < onDisk.DrainedL-1e-9 || resumed > onDisk.DrainedL+onDisk.UndecidedL+1e-9 {
		t.Errorf("resumed with %.6f L, on disk were %.6f L", resumed, onDisk.DrainedL)
	}
	if inputs["before-1"] != 1 || inputs["before-2"] != 1 {
		t.Errorf("done were %v", inputs)
	}
}

// The bridge is killed again and again while commands arrive. An answered command is done; an
// unanswered one can be sent again under its id. In the end each is done once.
func TestKilledAmongCommands(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	data := t.TempDir()
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	p := childBridge(t, fmt.Sprintf(`
shop: test
data: %s
broker: {url: %q}
fluids: [{name: used, density_kg_m3: 858}, {name: fresh, density_kg_m3: 846}]
carts:
  - name: cart
    sensors: [{name: caddy, role: caddy, port: /dev/none, protocol: line, pattern: value-unit, capacity_kg: 30, resolution_kg: 0.005}]
`, data, broker.URL), 1)
	send := func(i int) {
		s.Client.Publish(bridgetest.Topics+"commands", 1, false, fmt.Sprintf(`{"id":"k%d","do":"baseline"}`, i))
	}
	answers := func() map[string]string {
		all := map[string]string{}
		for _, m := range s.All() {
			id, ok := strings.CutPrefix(m.Topic, bridgetest.Topics+"replies/k")
			var r wire.Reply
			if !ok || json.Unmarshal(m.Payload, &r) != nil || !r.OK {
				continue
			}
			if before, twice := all["k"+id]; twice && before != string(m.Payload) {
				t.Errorf("k%s was answered %s and %s", id, before, m.Payload)
			}
			all["k"+id] = string(m.Payload)
		}
		return all
	}
	p.Start()
	birth := bridgetest.Online(t, s, "")
	s.Must(bridgetest.OpenJob)
	const kills, each = 3, 25
	sent := 0
	for kill := range kills {
		before := len(answers())
		for range each {
			send(sent)
			sent++
			time.Sleep(time.Millisecond) // more than fit into the cart's queue are only refused
		}
		bridgetest.Eventually(t, 10*time.Second, "a few answers", func() bool { return len(answers()) > before+3*kill })
		p.Stop(syscall.SIGKILL)
		onDisk := map[string]int{}
		for _, e := range journaltest.EventsIn(t, copyJournal(t, data)) {
			if e.Input != nil {
				onDisk[e.Input.ID]++
			}
		}
		for id := range answers() {
			if onDisk[id] != 1 {
				t.Errorf("kill %d: %s was answered, and is on disk %d times", kill, id, onDisk[id])
			}
		}
		p.Start()
		birth = bridgetest.Online(t, s, birth.Session)
	}
	unanswered := sent - len(answers())
	bridgetest.Eventually(t, 30*time.Second, "all answers", func() bool {
		done := answers()
		for i := range sent {
			if id := fmt.Sprintf("k%d", i); done[id] == "" {
				s.Command(fmt.Sprintf(`{"id":%q,"do":"baseline"}`, id))
			}
		}
		return len(answers()) == sent
	})
	p.Cmd.Process.Signal(syscall.SIGTERM)
	p.Cmd.Wait()
	p.Cmd = nil
	times := map[string]int{}
	for _, e := range journaltest.EventsIn(t, filepath.Join(data, "cart.journal")) {
		if e.Input != nil {
			times[e.Input.ID]++
		}
	}
	for i := range sent {
		if n := times[fmt.Sprintf("k%d", i)]; n != 1 {
			t.Errorf("k%d was done %d times", i, n)
		}
	}
	t.Logf("%d kills, %d commands, %d of them sent again", kills, sent, unanswered)
}
