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

// startBridge runs a bridge with a simulated cart whose clock runs speed times as fast as
// real time.
func startBridge(t *testing.T, broker string, speed float64) *sim.Rig {
	t.Helper()
	p := sim.DefaultParams()
	p.FluidC = 38 // inside the window from the start
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
	testing.TB
	tab  context.Context
	taps int
}

// tap waits for a button with a label, and touches it until the page's reply is there.
func (f *tapper) tap(label string) {
	f.Helper()
	find := `[...document.querySelectorAll("button")].find((b) => b.checkVisibility() && (b.querySelector("b")?.textContent ?? b.textContent) === ` + strconv.Quote(label) + `)`
	bridgetest.Eventually(f, 40*time.Second, "the tap on "+label, func() bool {
		if script[bool](f, f.tab, find+` === undefined`) {
			return false
		}
		time.Sleep(800 * time.Millisecond) // new answers do not count at once
		if script[bool](f, f.tab, `document.body.classList.contains("busy")`) {
			return false
		}
		at := script[[]float64](f, f.tab, `(() => { const b = `+find+`, r = b?.getBoundingClientRect(); document.getElementById("reply").className = ""; return b ? [r.x + r.width / 2, r.y + r.height / 2, b.dataset.command ? 1 : 0] : []; })()`)
		if len(at) == 0 {
			return false
		}
		do(f, f.tab, chromedp.MouseClickXY(at[0], at[1]))
		if at[2] == 0 {
			opened := script[bool](f, f.tab, `document.getElementById("dialogs").open`)
			if opened {
				f.taps++
			}
			return opened
		}
		var reply []string
		bridgetest.Eventually(f, 15*time.Second, "the reply to "+label, func() bool {
			reply = script[[]string](f, f.tab, `[document.getElementById("reply").className, document.getElementById("reply").textContent]`)
			return reply[0] != ""
		})
		if reply[0] == "bad" && !strings.Contains(reply[1], "settled") && !strings.Contains(reply[1], "heard") {
			f.Fatalf("%s: %s", label, reply[1])
		}
		if reply[0] == "good" {
			f.taps++
		}
		return reply[0] == "good"
	})
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

// A whole job is done with a finger alone, with Mosquitto and a bridge with a simulated cart,
// while a plain client reads the leaves.
func TestJobByTaps(t *testing.T) {
	if testing.Short() {
		t.Skip("takes about half a minute")
	}
	tab := chromium.Tab(t)
	broker := startMosquitto(t)
	rig := startBridge(t, broker, 5)
	url := runBoard(t, Config{Brokers: []string{"tcp://" + broker}, Shop: "hilltop", MayCommand: true})
	var mu sync.Mutex
	var figures wire.Volumes
	var whole wire.Job
	watcher := connect(t, broker, nil)
	token := watcher.client.Subscribe(bay2+"#", 1, func(_ mqtt.Client, m mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		switch strings.TrimPrefix(m.Topic(), bay2) {
		case "volumes":
			json.Unmarshal(m.Payload(), &figures)
		case "job":
			whole = wire.Job{}
			json.Unmarshal(m.Payload(), &whole)
		}
	})
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	volumes := func() wire.Volumes { mu.Lock(); defer mu.Unlock(); return figures }
	job := func() wire.Job { mu.Lock(); defer mu.Unlock(); return whole }
	bridgetest.Eventually(t, 20*time.Second, "the cart", func() bool { return job().TS != "" })
	do(t, tab, chromedp.EmulateViewport(1366, 768), chromedp.Navigate(url+"/cart/bay2"))
	f := &tapper{TB: t, tab: tab}
	defer func() {
		if t.Failed() {
			t.Logf("the page: %s", script[string](t, tab, `document.body.innerText`))
		}
	}()

	f.write("choose-by", "Ada")
	f.write("choose-vehicle", "van 6")
	f.tap("panel van, long, 2.0")
	f.tap("Start draining")
	rig.Do((*sim.Cart).OpenDrain)
	bridgetest.Eventually(t, 30*time.Second, "drained fluid", func() bool { return float64(volumes().DrainedL) > 1 })
	rig.Do((*sim.Cart).CloseDrain)
	keep(t, tab, "job-draining")
	f.tap("Pan is off, it only drips")
	f.tap("All of this is done")
	f.tap("Enter the torque")
	f.write("torque-applied", "97 in-lb")
	f.tap("Save")
	keep(t, tab, "job-service")
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
			return time.Since(since) > 6*time.Second && and() // it is settled
		})
	}
	pour("the first fill", func() bool { return true })
	keep(t, tab, "job-filling")
	f.tap("Engine runs")
	f.tap("Start the gears")
	pour("the gears, and the top-up", func() bool { return len(job().Flow.Gears) == 4 })
	f.tap("No leaks seen")
	keep(t, tab, "job-checking")
	f.tap("Right")
	f.tap("Weigh and close the job")
	bridgetest.Eventually(t, 10*time.Second, "the closed job", func() bool { return job().Phase == "closed" })
	seen(t, tab, "the result", `document.querySelector(".rows")?.textContent.includes("van 6")`)
	keep(t, tab, "job-closed")

	j := job()
	if len(j.Flow.Records) < 8 || len(j.Flow.Gears) == 0 || j.Flow.Phases[0].By != "Ada" {
		t.Errorf("recorded %v, gears %v, phases %v", j.Flow.Records, j.Flow.Gears, j.Flow.Phases)
	}
	if f.taps > maxTaps {
		t.Errorf("%d taps, at most %d", f.taps, maxTaps)
	}
	t.Logf("%d taps; drained %.3f L, added %.3f L", f.taps, float64(figures.DrainedL), float64(figures.AddedL))
}
