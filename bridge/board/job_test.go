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
	"slices"
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
broker: {url: "tcp://%s"}
fluids:
  - {name: amber used, density_kg_m3: %g}
  - {name: amber fresh, density_kg_m3: %g}
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

// A whole job is done with clicks alone, with Mosquitto and a bridge with a simulated cart,
// while a plain client reads the leaves.
func TestJobByClicks(t *testing.T) {
	if testing.Short() {
		t.Skip("takes about fifteen seconds")
	}
	tab := bridgetest.StartChromium(t)
	broker := startMosquitto(t)
	rig := startBridge(t, broker, 5)
	url := runBoard(t, Config{Broker: "tcp://" + broker, Shop: "hilltop", MayCommand: true})

	// The plain client.
	var mu sync.Mutex
	var figures wire.Volumes
	var whole wire.Job
	var commands []string
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
		case "commands":
			var c struct{ Do, Phase, By string }
			json.Unmarshal(m.Payload(), &c)
			if c.By == "board" && c.Do != "answer" { // questions come when they will
				commands = append(commands, strings.TrimSpace(c.Do+" "+c.Phase))
			}
		}
	})
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	volumes := func() wire.Volumes { mu.Lock(); defer mu.Unlock(); return figures }
	job := func() wire.Job { mu.Lock(); defer mu.Unlock(); return whole }

	bridgetest.Eventually(t, 20*time.Second, "the cart", func() bool { return job().TS != "" })
	do(t, tab, chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(url+"/cart/bay2"))
	// press presses a button, again while the cart has to wait, until the page shows the
	// effect.
	press := func(command string) {
		t.Helper()
		button := fmt.Sprintf(`document.querySelector(%q)`, `#actions button[data-command^='`+command+`']`)
		bridgetest.Eventually(t, 30*time.Second, command+" to be done", func() bool {
			if script[bool](t, tab, button+` === null`) {
				return true // the board has gone on
			}
			at := script[[]float64](t, tab, `(() => { const r = `+button+`?.getBoundingClientRect() ?? {}; return [r.x + r.width / 2, r.y + r.height / 2]; })()`)
			do(t, tab, chromedp.MouseClickXY(at[0], at[1]))
			time.Sleep(100 * time.Millisecond)
			bridgetest.Eventually(t, 15*time.Second, "the reply to "+command, func() bool {
				return !script[bool](t, tab, `document.getElementById('reply').textContent.startsWith('…')`)
			})
			reply := script[string](t, tab, `document.getElementById('reply').textContent`)
			if strings.HasPrefix(reply, "✗") && !strings.Contains(reply, "settled") && !strings.Contains(reply, "heard") {
				t.Fatalf("%s: %s", command, reply)
			}
			return strings.HasPrefix(reply, "✓")
		})
		script[chromedp.Void](t, tab, `document.getElementById('reply').textContent = ''; undefined`)
	}
	// click waits for a button and presses it. A question, which hides other buttons and may
	// come late on a busy machine, is answered first.
	click := func(command string) {
		t.Helper()
		page := ""
		defer func() {
			if t.Failed() {
				t.Logf("the page when %s was waited for: %s", command, page)
			}
		}()
		bridgetest.Eventually(t, 30*time.Second, "the button "+command, func() bool {
			page = script[string](t, tab, `document.body.innerText`)
			if thing := script[string](t, tab, `document.querySelector("#actions button[data-command*='\"as\":\"thing\"']")?.dataset.command ?? ""`); thing != "" {
				press(thing)
				return false
			}
			return script[bool](t, tab, fmt.Sprintf(`document.querySelector(%q) !== null`, `#actions button[data-command^='`+command+`']`))
		})
		press(command)
	}
	phase := func(name string) {
		t.Helper()
		click(`{"do":"phase","phase":"` + name + `"`)
		seen(t, tab, name+" on the page", `document.querySelector('#phases .now')?.textContent.includes("`+name+`")`)
		bridgetest.Eventually(t, 5*time.Second, name+" for the plain client", func() bool { return volumes().Phase == name })
	}

	seen(t, tab, "the entries", `document.getElementById("open-high") !== null`)
	script[chromedp.Void](t, tab, `for (const [id, text] of Object.entries({vehicle: "van", fluid: "amber fresh", low: 35, high: 45}))
		document.getElementById("open-" + id).value = text; undefined`)
	click(`{"do":"open"`)
	phase("draining")
	rig.Do((*sim.Cart).OpenDrain)
	bridgetest.Eventually(t, 20*time.Second, "drained fluid", func() bool { return float64(volumes().DrainedL) > 1 })
	rig.Do((*sim.Cart).CloseDrain)
	time.Sleep(2 * time.Second)
	// A tool is forgotten on the caddy. A machine that is too busy for this speed may miss
	// the signal of one of them.
	bridgetest.Eventually(t, 30*time.Second, "the change", func() bool {
		rig.Do(func(c *sim.Cart) { c.LayOnCaddy(1.2) })
		for range 30 {
			if slices.ContainsFunc(job().Changes, func(c wire.JobChange) bool { return c.Kg > 1 }) {
				return true
			}
			time.Sleep(100 * time.Millisecond)
		}
		return false
	})
	phase("service")
	seen(t, tab, "the question", `document.querySelector('.urgent')?.textContent.includes("What was this? +1.")`)
	keep(t, tab, "job-question")
	click(`{"do":"record","item":"filter","result":"done"`)
	phase("filling")
	rig.Do(func(c *sim.Cart) { c.StartPour(0.05) })
	bridgetest.Eventually(t, 20*time.Second, "the first fill", func() bool { return float64(volumes().RemainingL) < 0.1 })
	rig.Do((*sim.Cart).StopPour)
	keep(t, tab, "job-filling")
	phase("running")
	click(`{"do":"gear","gear":"D"`)
	phase("checking")
	click(`{"do":"enter","what":"dipstick","share":0.5`)
	keep(t, tab, "job-checking")
	click(`{"do":"clear"`)
	click(`{"do":"close"`)
	bridgetest.Eventually(t, 10*time.Second, "the closed job", func() bool { return job().Phase == "closed" })
	seen(t, tab, "closed on the page", `document.querySelector('#phases .now')?.textContent.includes("closed")`)

	j := job()
	if len(j.Entered) != 1 || float64(j.Entered[0].Share) != 0.5 || len(j.Flow.Records) != 1 || len(j.Flow.Gears) != 1 ||
		!slices.ContainsFunc(j.Changes, func(c wire.JobChange) bool { return c.Kg > 1 && c.As == "thing" }) {
		t.Errorf("entered %v, recorded %v, changes %v, gears %v", j.Entered, j.Flow.Records, j.Changes, j.Flow.Gears)
	}
	mu.Lock()
	defer mu.Unlock()
	if got := strings.Join(commands, ", "); !strings.HasSuffix(got, "phase service, record, phase filling, phase running, gear, phase checking, enter, clear, close") {
		t.Errorf("the plain client saw the commands %s", got)
	}
	t.Logf("drained %.3f L, added %.3f L, changes %+v", float64(figures.DrainedL), float64(figures.AddedL), j.Changes)
}
