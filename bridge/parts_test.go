package bridge

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"bayfill/bridge/schema/schematest"
	"bayfill/sim"
)

// The real parts that these tests need, each started on a free loopback port by
// the test that uses it.

// needProgram finds a program, or skips the test; under CI=true that fails.
func needProgram(t testing.TB, name string) string {
	t.Helper()
	dirs := []string{"/usr/sbin", "/usr/local/sbin"}
	if out, err := exec.Command("go", "env", "GOPATH").Output(); err == nil {
		dirs = append(dirs, filepath.Join(strings.TrimSpace(string(out)), "bin"))
	}
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	for _, dir := range dirs {
		if path, err := exec.LookPath(filepath.Join(dir, name)); err == nil {
			return path
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed: .ci/test installs it", name)
	}
	t.Skipf("%s is not installed: bash .ci/test installs it", name)
	return ""
}

func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// eventually waits for a condition of the world outside.
func eventually(t testing.TB, long time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(long); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("waited %v in vain for %s", long, what)
}

// process is a program that a test started and ends.
type process struct {
	t    testing.TB
	path string
	args []string
	env  []string // besides this process's own
	log  bytes.Buffer
	cmd  *exec.Cmd
}

func (p *process) start() {
	p.t.Helper()
	p.cmd = exec.Command(p.path, p.args...)
	p.cmd.Env = append(os.Environ(), p.env...)
	p.cmd.Stdout, p.cmd.Stderr = &p.log, &p.log
	// Nothing outlives the test, even when it is killed.
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
}

func (p *process) stop(signal os.Signal) {
	if p.cmd == nil {
		return
	}
	p.cmd.Process.Signal(signal)
	p.cmd.Wait()
	p.cmd = nil
}

func listening(address string) func() bool {
	return func() bool {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		c.Close()
		return true
	}
}

// mosquitto is a real broker.
type mosquitto struct {
	process
	address string
	url     string
}

// startMosquitto starts one that lets everybody in, unless the extra lines of
// its configuration say otherwise.
func startMosquitto(t testing.TB, extra ...string) *mosquitto {
	t.Helper()
	path := needProgram(t, "mosquitto")
	address := freePort(t)
	_, port, _ := net.SplitHostPort(address)
	config := fmt.Sprintf("listener %s 127.0.0.1\nuser root\n", port)
	if !strings.Contains(strings.Join(extra, "\n"), "allow_anonymous") {
		config += "allow_anonymous true\n"
	}
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(file, []byte(config+strings.Join(extra, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{address: address, url: "tcp://" + address}
	m.process = process{t: t, path: path, args: []string{"-c", file}}
	m.start()
	t.Cleanup(func() { m.stop(syscall.SIGTERM) })
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.process.start()
	eventually(m.t, 10*time.Second, "mosquitto to listen", listening(m.address))
}

// URL is where it answers.
func (i *influx) URL() string { return i.url }

// influx is a real InfluxDB 1.8 with the version 2 write API and Flux.
type influx struct {
	process
	url string
}

func startInflux(t testing.TB) *influx {
	t.Helper()
	path := needProgram(t, "influxd")
	address, backup := freePort(t), freePort(t)
	dir := t.TempDir()
	config := fmt.Sprintf(`reporting-disabled = true
bind-address = %q
[meta]
  dir = %q
[data]
  dir = %q
  wal-dir = %q
  index-version = "tsi1"
[http]
  bind-address = %q
  flux-enabled = true
  log-enabled = false
[monitor]
  store-enabled = false
`, backup, dir+"/meta", dir+"/data", dir+"/wal", address)
	file := filepath.Join(dir, "influxd.toml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	i := &influx{url: "http://" + address}
	i.process = process{t: t, path: path, args: []string{"-config", file}}
	i.start()
	t.Cleanup(func() { i.stop(syscall.SIGTERM) })
	i.ql("CREATE DATABASE bayfill")
	return i
}

func (i *influx) start() {
	i.t.Helper()
	i.process.start()
	eventually(i.t, 20*time.Second, "influxd to answer", func() bool {
		r, err := http.Get(i.url + "/ping")
		if err != nil {
			return false
		}
		r.Body.Close()
		return r.StatusCode == http.StatusNoContent
	})
}

// ql runs a statement of the old query language, for what version 2's API lacks
// here: making databases.
func (i *influx) ql(statement string) {
	i.t.Helper()
	r, err := http.PostForm(i.url+"/query", map[string][]string{"q": {statement}, "db": {"bayfill"}})
	if err != nil {
		i.t.Fatal(err)
	}
	defer r.Body.Close()
	if body, _ := io.ReadAll(r.Body); r.StatusCode != 200 || bytes.Contains(body, []byte("error")) {
		i.t.Fatalf("%s: %s", statement, body)
	}
}

// row is one point: its fields by name.
type row map[string]any

// rows fetches all points of a measurement in order of time, through Flux.
func (i *influx) rows(measurement string) []row {
	i.t.Helper()
	return queryRows(i.t, i, "bayfill/autogen", measurement)
}

func queryRows(t testing.TB, i *influx, bucket, measurement string) []row {
	t.Helper()
	client := influxdb2.NewClient(i.url, "")
	defer client.Close()
	result, err := client.QueryAPI("").Query(context.Background(), fmt.Sprintf(
		`from(bucket: %q) |> range(start: 1970-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z)
		|> filter(fn: (r) => r._measurement == %q)
		|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")
		|> group() |> sort(columns: ["_time"])`, bucket, measurement))
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for result.Next() {
		r := row{}
		for key, value := range result.Record().Values() {
			if value != nil {
				r[key] = value
			}
		}
		rows = append(rows, r)
	}
	if result.Err() != nil {
		t.Fatal(result.Err())
	}
	return rows
}

// contractCheck fails the test for the first message on each topic that is not as
// the published schemas say.
func contractCheck(t testing.TB) func(topic string, payload []byte) {
	told := map[string]bool{}
	return func(topic string, payload []byte) {
		if told[topic] {
			return
		}
		if err := schematest.Published(topic, payload); err != nil {
			told[topic] = true
			t.Errorf("%s: %v", topic, err)
		}
	}
}

// message is what a subscriber received.
type message struct {
	topic    string
	payload  []byte
	qos      byte
	retained bool
	at       time.Time
}

// subscriber is an MQTT client that keeps everything and, at the end of the test,
// holds it against the published schemas.
type subscriber struct {
	t        testing.TB
	client   mqtt.Client
	invented bool // the test itself publishes what no bridge would: nothing is checked
	mu       sync.Mutex
	got      []message
}

func subscribe(t testing.TB, url, username, password string, filters ...string) *subscriber {
	t.Helper()
	s := &subscriber{t: t}
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID("test-" + fmt.Sprint(time.Now().UnixNano()))
	o.SetUsername(username).SetPassword(password).SetProtocolVersion(4).SetAutoReconnect(true).SetMaxReconnectInterval(200 * time.Millisecond)
	o.SetCleanSession(true)
	o.SetOnConnectHandler(func(c mqtt.Client) {
		wanted := map[string]byte{}
		for _, f := range filters {
			wanted[f] = 1
		}
		c.SubscribeMultiple(wanted, func(_ mqtt.Client, m mqtt.Message) {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.got = append(s.got, message{m.Topic(), m.Payload(), m.Qos(), m.Retained(), time.Now()})
		})
	})
	s.client = mqtt.NewClient(o)
	if token := s.client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("connecting to %s: %v", url, token.Error())
	}
	t.Cleanup(func() {
		s.client.Disconnect(50)
		if s.invented {
			return
		}
		check := contractCheck(t)
		for _, m := range s.all() {
			check(m.topic, m.payload)
		}
	})
	return s
}

func (s *subscriber) all() []message {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]message(nil), s.got...)
}

// last is the newest message of a topic's end, and whether there is one.
func (s *subscriber) last(end string) (message, bool) {
	all := s.all()
	for i := len(all) - 1; i >= 0; i-- {
		if strings.HasSuffix(all[i].topic, end) {
			return all[i], true
		}
	}
	return message{}, false
}

// read decodes the newest message of a leaf; zero when there is none.
func read[T any](s *subscriber, leaf Leaf) T {
	s.t.Helper()
	var v T
	if m, ok := s.last("/" + string(leaf)); ok {
		if err := json.Unmarshal(m.payload, &v); err != nil {
			s.t.Fatalf("%s: %v in %s", m.topic, err, m.payload)
		}
	}
	return v
}

func (s *subscriber) publish(topic string, retained bool, payload string) {
	s.t.Helper()
	if token := s.client.Publish(topic, 1, retained, payload); !token.WaitTimeout(10 * time.Second) {
		s.t.Fatalf("publishing to %s: no answer", topic)
	}
}

// command sends one command to the test cart and returns the reply.
func (s *subscriber) command(payload string) Reply {
	s.t.Helper()
	id, ok := commandID([]byte(payload))
	if !ok {
		id = "refused"
	}
	before := len(s.all())
	s.publish("bayfill/test/cart/commands", false, payload)
	var r Reply
	eventually(s.t, 10*time.Second, "the reply to "+payload, func() bool {
		for _, m := range s.all()[before:] {
			if m.topic == "bayfill/test/cart/replies/"+id {
				return json.Unmarshal(m.payload, &r) == nil
			}
		}
		return false
	})
	return r
}

// must sends commands that have to succeed; each is the JSON after the id.
func (s *subscriber) must(commands ...string) {
	s.t.Helper()
	for _, c := range commands {
		var r Reply
		eventually(s.t, 20*time.Second, "settled scales", func() bool {
			r = s.command(fmt.Sprintf(`{"id":"t%d",%s}`, time.Now().UnixNano(), c))
			return !strings.Contains(r.Error, "has not settled yet")
		})
		if !r.OK {
			s.t.Fatalf("%s: %s", c, r.Error)
		}
	}
}

// sound tells whether nothing is wrong but that simulated instruments were never
// calibrated.
func sound(m AlertsMessage) bool {
	return !slices.ContainsFunc(m.Alerts, func(a Alert) bool { return !strings.HasPrefix(a.Kind, "calibration:") })
}

const openTestJob = `"do":"open","job":"job-1","vehicle":"test van","used_fluid":"used","fluid":"fresh","low_c":35,"high_c":45`

// testFluids are the same for bridge and simulator.
var (
	testUsed  = sim.Fluid{Name: "used", Density15KgM3: 858, Viscosity40: 30, Viscosity100: 6.1}
	testFresh = sim.Fluid{Name: "fresh", Density15KgM3: 846, Viscosity40: 35, Viscosity100: 7.2}
)

// testRig is a simulated cart on pseudo-terminals that runs until the test
// ends. speed is how much faster than life its clock goes.
func testRig(t testing.TB, speed float64) *sim.Rig {
	t.Helper()
	return testRigAt(t, speed, 1)
}

// testRigAt has instruments that speak so many times as often as usual.
func testRigAt(t testing.TB, speed, rate float64) *sim.Rig {
	t.Helper()
	p := sim.DefaultParams()
	p.Used, p.Fresh, p.FluidC = testUsed, testFresh, 30
	caddy, supply, probe := sim.DefaultScaleParams(), sim.DefaultScaleParams(), sim.DefaultProbeParams()
	supply.What = sim.OnSupply
	caddy.ReadsPerS *= rate
	supply.ReadsPerS *= rate
	probe.ReadsPerS *= rate
	clock := NewClock(0, speed)
	rig, err := sim.NewRig(sim.RigOptions{
		Cart: p, Dir: filepath.Join(t.TempDir(), "ports"), Elapsed: clock.Elapsed,
		Sensors: []sim.Sensor{
			{Name: "caddy", Scale: &caddy, Wire: &sim.SMAWire{Unit: "lb", Decimals: 3, Capacity: 66}},
			{Name: "supply", Scale: &supply, Wire: &sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 3}},
			{Name: "probe", Probe: &probe, Wire: &sim.LineWire{Shape: "temp", Unit: "F", Decimals: 1}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- rig.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("rig: %v", err)
		}
	})
	return rig
}

// testConfigText is the configuration of a cart on that rig, as a file holds it.
func testConfigText(rig *sim.Rig, data, brokerURL, historyURL string) string {
	return fmt.Sprintf(`
shop: test
data: %s
broker: {url: %q}
history: {url: %q, bucket: bayfill/autogen}
fluids:
  - {name: used, density_kg_m3: 858}
  - {name: fresh, density_kg_m3: 846}
carts:
  - name: cart
    caddy: {empty_kg: 2.4, holds_l: 12}
    sensors:
      - {name: caddy, role: caddy, port: %s, protocol: sma, repeat: true, capacity_kg: 30, resolution_kg: 0.005}
      - {name: supply, role: supply, port: %s, protocol: line, pattern: status-kind-value-unit, capacity_kg: 30, resolution_kg: 0.005}
      - {name: probe, role: transmission-temp, port: %s, protocol: line, pattern: temperature}
`, data, brokerURL, historyURL, rig.Port("caddy"), rig.Port("supply"), rig.Port("probe"))
}

func testConfig(t testing.TB, rig *sim.Rig, data, brokerURL, historyURL string) *Config {
	t.Helper()
	c, err := ParseConfig([]byte(testConfigText(rig, data, brokerURL, historyURL)))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// testLog is silent unless the test is run with BAYFILL_TEST_LOG=1.
func testLog() *slog.Logger {
	if os.Getenv("BAYFILL_TEST_LOG") != "" {
		return slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	return slog.New(slog.DiscardHandler)
}

// runBridge runs a bridge until stop is called or the test ends.
func runBridge(t testing.TB, c *Config, speed float64) (b *Bridge, stop func()) {
	t.Helper()
	return runBridgeWith(t, c, Options{Speed: speed}, nil)
}

// runBridgeWith lets a test change the bridge before it runs.
func runBridgeWith(t testing.TB, c *Config, o Options, change func(*Bridge)) (b *Bridge, stop func()) {
	t.Helper()
	if o.Log == nil {
		o.Log = testLog()
	}
	ctx, cancel := context.WithCancel(context.Background())
	b, err := New(ctx, c, o)
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	if change != nil {
		change(b)
	}
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Errorf("bridge: %v", err)
			}
		})
	}
	t.Cleanup(stop)
	return b, stop
}
