package board

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/sim"
)

// startMosquitto runs a Mosquitto until the test ends.
func startMosquitto(t *testing.T) (address string) {
	t.Helper()
	path := bridgetest.NeedProgram(t, "mosquitto")
	address = bridgetest.FreePort(t)
	_, port, _ := net.SplitHostPort(address)
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(file, []byte("listener "+port+" 127.0.0.1\nuser root\nallow_anonymous true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "-c", file)
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Signal(syscall.SIGTERM); cmd.Wait() })
	bridgetest.Eventually(t, 10*time.Second, "mosquitto", func() bool {
		c, err := net.Dial("tcp", address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	return address
}

// startBridge runs a bridge with a simulated cart that works on fluid of a temperature in °C.
func startBridge(t *testing.T, broker string, fluidC float64) *sim.Rig {
	t.Helper()
	p := sim.DefaultParams()
	p.FluidC = fluidC
	caddy, supply, probe := sim.DefaultScaleParams(), sim.DefaultScaleParams(), sim.DefaultProbeParams()
	supply.What = sim.OnSupply
	clock := clock.New(0, speed)
	rig, err := sim.NewRig(sim.RigOptions{Cart: p, Elapsed: clock.Elapsed, Sensors: []sim.Sensor{
		{Name: "caddy", Scale: &caddy, Wire: &sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 3}},
		{Name: "supply", Scale: &supply, Wire: &sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 3}},
		{Name: "probe", Probe: &probe, Wire: &sim.LineWire{Shape: "temp", Unit: "C", Decimals: 1}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	config, err := config.Parse(fmt.Appendf(nil, `
shop: hilltop
data: %s
service_data: ../../testdata/service-data
broker: {url: "tcp://%s"}
fluids:
  - {name: ruby old, density_kg_m3: %g}
  - {name: amber 6, density_kg_m3: %g}
carts:
  - name: bay2
    sensors:
      - {name: caddy, role: caddy, port: memory-1, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}
      - {name: supply, role: supply, port: memory-2, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}
      - {name: probe, role: transmission-temp, port: memory-3, protocol: line, pattern: temperature}
`, t.TempDir(), broker, p.Used.Density15KgM3, p.Fresh.Density15KgM3))
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	b, err := bridge.New(ctx, config, bridge.Options{Log: slog.New(slog.DiscardHandler), Speed: speed,
		Open: func(_, sensor string) (io.ReadWriteCloser, error) {
			if host := rig.Host(sensor); host != nil {
				return host, nil
			}
			return nil, fmt.Errorf("sensor %s is unplugged", sensor)
		}})
	if err != nil {
		stop()
		t.Fatal(err)
	}
	var running sync.WaitGroup
	running.Go(func() {
		if err := b.Run(ctx); err != nil {
			t.Errorf("bridge: %v", err)
		}
	})
	running.Go(func() {
		if err := rig.Run(ctx); err != nil {
			t.Errorf("rig: %v", err)
		}
	})
	t.Cleanup(func() { stop(); running.Wait() })
	return rig
}

// tapper does a job on the page with a finger alone, and counts its taps.
type tapper struct {
	hand
	taps int
}

// tap touches a button as soon as that counts, until the cart has done what it sends.
func (f *tapper) tap(label string) {
	f.Helper()
	bridgetest.Eventually(f, 40*time.Second, "the tap on "+label, func() bool {
		at := script[[]float64](f, f.tab, `(() => {
			const b = [...document.querySelectorAll("button")].find((b) => b.checkVisibility() && (b.querySelector("b")?.textContent ?? b.textContent) === `+strconv.Quote(label)+`);
			if (!b || document.body.classList.contains("busy")) return [];
			const r = b.getBoundingClientRect();
			document.getElementById("reply").querySelector("p").textContent = document.getElementById("reply").className = "";
			return [r.x + r.width / 2, r.y + r.height / 2, b.dataset.command ? 1 : 0];
		})()`)
		if len(at) == 0 {
			return false
		}
		before := script[string](f, f.tab, change)
		do(f, f.tab, chromedp.MouseClickXY(at[0], at[1]))
		if script[string](f, f.tab, change) == before {
			return false
		}
		if at[2] == 1 && !f.taken(label) {
			return false
		}
		f.taps++
		keep(f, f.tab, fmt.Sprintf("job-%02d-%s", f.taps, label))
		return true
	})
}

// taken waits for the cart's reply and reports whether it has done what a button sends. What it
// only cannot do yet is tried again.
func (f *tapper) taken(label string) bool {
	f.Helper()
	var reply []string
	bridgetest.Eventually(f, 15*time.Second, "the reply to "+label, func() bool {
		reply = script[[]string](f, f.tab, `[document.getElementById("reply").className, document.getElementById("reply").textContent]`)
		return reply[0] != ""
	})
	if reply[0] == "bad" && !strings.Contains(reply[1], "settled") && !strings.Contains(reply[1], "heard") {
		f.Fatalf("%s: %s", label, reply[1])
	}
	return reply[0] == "good"
}

// write touches an entry and types.
func (f *tapper) write(id, text string) {
	f.Helper()
	seen(f, f.tab, "the entry "+id, `document.getElementById("`+id+`")?.checkVisibility()`)
	script[chromedp.Void](f, f.tab, `document.getElementById("`+id+`").focus(); undefined`)
	do(f, f.tab, chromedp.KeyEvent(text))
	f.taps++
}

// maxTaps is how often an ordinary job may ask to touch the screen.
const maxTaps = 15

// follower is a plain client that reads what a cart says.
type follower struct {
	mu      sync.Mutex
	volumes wire.Volumes
	job     wire.Job
}

func followCart(t *testing.T, broker string) *follower {
	t.Helper()
	f := new(follower)
	token := connect(t, broker, nil).client.Subscribe(bay2+"#", 1, func(_ mqtt.Client, m mqtt.Message) {
		f.mu.Lock()
		defer f.mu.Unlock()
		switch strings.TrimPrefix(m.Topic(), bay2) {
		case "volumes":
			json.Unmarshal(m.Payload(), &f.volumes)
		case "job":
			f.job = wire.Job{}
			json.Unmarshal(m.Payload(), &f.job)
		}
	})
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	bridgetest.Eventually(t, 20*time.Second, "the cart", func() bool { _, job := f.now(); return job.TS != "" })
	return f
}

// now returns what was said last.
func (f *follower) now() (wire.Volumes, wire.Job) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.volumes, f.job
}

// speed is how many times faster than a clock on the wall the carts of these tests work.
const speed = 5

// A whole job is done with a finger alone, with Mosquitto and a bridge with a simulated cart,
// while a plain client reads the leaves.
func TestJobByTaps(t *testing.T) {
	bridgetest.Slow(t)
	t.Parallel()
	broker := startMosquitto(t)
	rig := startBridge(t, broker, 38) // °C: inside the window from the start
	cart := followCart(t, broker)
	job := func() wire.Job { _, j := cart.now(); return j }
	f := &tapper{hand: newHand(t, runBoard(t, Config{Brokers: []string{"tcp://" + broker}, Shop: "hilltop", MayCommand: true}), "metric")}
	tab := f.tab
	// Pauses of the page pass as fast as those of the cart.
	script[chromedp.Void](t, tab, fmt.Sprintf(`(() => { const real = setTimeout; window.setTimeout = (f, ms) => real(f, ms / %d); })()`, speed))
	do(t, tab, chromedp.EmulateViewport(1366, 768))
	defer func() {
		if t.Failed() {
			t.Logf("the page: %s", script[string](t, tab, `document.body.innerText`))
		}
	}()

	f.write("choose-by", "Ada")
	f.write("choose-vehicle", "van 6")
	f.tap("panel van, long, 2.0")
	f.tap("Right")
	f.tap("Start draining")
	rig.Do((*sim.Cart).OpenDrain)
	bridgetest.Eventually(t, 30*time.Second, "drained fluid", func() bool { v, _ := cart.now(); return v.DrainedL > 1 })
	rig.Do((*sim.Cart).CloseDrain)
	f.tap("Pan is off, it only drips")
	f.tap("All of this is done")
	f.tap("Enter the torque")
	f.sees("the entry of the torque, ready for typing", `document.activeElement.id === "torque-applied"`)
	f.key("97 in-lb")
	f.tap("Save")
	f.tap("Pan is closed: fill")
	pour := func(what string, and func() bool) {
		since := time.Now() // when something was last seen to be missing
		bridgetest.Eventually(t, 60*time.Second, what, func() bool {
			if p := job().Plan; p == nil || float64(p.ToLineL) > 0 {
				rig.Do(func(c *sim.Cart) { c.StartPour(0.05) })
				since = time.Now()
			} else {
				rig.Do((*sim.Cart).StopPour)
			}
			return time.Since(since) > 4*time.Second && and() // it is settled
		})
	}
	pour("the first fill", func() bool { return true })
	f.tap("Engine runs")
	f.tap("Start the gears")
	pour("the gears, and the top-up", func() bool { return len(job().Flow.Gears) == 4 })
	f.tap("No leaks seen")
	f.tap("Right")
	f.tap("Weigh and close the job")
	bridgetest.Eventually(t, 30*time.Second, "the closed job", func() bool {
		// The first of its two commands may be done and the second not yet.
		if again := script[bool](t, tab, `document.getElementById("reply").textContent.includes("has not settled")`); again {
			f.tap("Weigh and close the job")
			f.taps--
		}
		return job().Phase == "closed"
	})
	seen(t, tab, "the result", `document.querySelector(".rows")?.textContent.includes("van 6")`)

	j := job()
	if len(j.Flow.Records) < 8 || len(j.Flow.Gears) == 0 || j.Flow.Phases[0].By != "Ada" {
		t.Errorf("recorded %v, gears %v, phases %v", j.Flow.Records, j.Flow.Gears, j.Flow.Phases)
	}
	if f.taps > maxTaps {
		t.Errorf("%d taps, at most %d", f.taps, maxTaps)
	}
	v, _ := cart.now()
	t.Logf("%d taps; drained %.3f L, added %.3f L", f.taps, float64(v.DrainedL), float64(v.AddedL))
}
