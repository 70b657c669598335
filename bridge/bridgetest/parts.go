package bridgetest

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
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"bayfill/bridge/clock"
	"bayfill/bridge/wire"
	"bayfill/bridge/wire/schema/schematest"
	"bayfill/sim"
)

// NeedProgram returns the path of a program. Without the program the test is skipped;
// under CI=true it fails.
func NeedProgram(t testing.TB, name string) string {
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

// FreePort returns a free loopback address.
func FreePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// Eventually waits for a condition of another process, and fails the test when it does
// not come true in time.
func Eventually(t testing.TB, within time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("waited %v in vain for %s", within, what)
}

// Process is a program that a test starts and ends.
type Process struct {
	T    testing.TB
	Path string
	Args []string
	Env  []string // in addition to the test's own
	Log  bytes.Buffer
	Cmd  *exec.Cmd // nil while it does not run
}

// Start starts the program.
func (p *Process) Start() {
	p.T.Helper()
	p.Cmd = exec.Command(p.Path, p.Args...)
	p.Cmd.Env = append(os.Environ(), p.Env...)
	p.Cmd.Stdout, p.Cmd.Stderr = &p.Log, &p.Log
	// The program must not outlive the test, even when the test is killed.
	p.Cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := p.Cmd.Start(); err != nil {
		p.T.Fatal(err)
	}
}

// Stop sends a signal and waits for the end.
func (p *Process) Stop(signal os.Signal) {
	if p.Cmd == nil {
		return
	}
	p.Cmd.Process.Signal(signal)
	p.Cmd.Wait()
	p.Cmd = nil
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

// mosquitto is a Mosquitto broker.
type mosquitto struct {
	Process
	Address string
	URL     string
}

// StartMosquitto starts a Mosquitto that accepts everybody, unless the extra lines of its
// configuration say otherwise.
func StartMosquitto(t testing.TB, extra ...string) *mosquitto {
	t.Helper()
	path := NeedProgram(t, "mosquitto")
	address := FreePort(t)
	_, port, _ := net.SplitHostPort(address)
	config := fmt.Sprintf("listener %s 127.0.0.1\nuser root\n", port)
	if !strings.Contains(strings.Join(extra, "\n"), "allow_anonymous") {
		config += "allow_anonymous true\n"
	}
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(file, []byte(config+strings.Join(extra, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{Address: address, URL: "tcp://" + address}
	m.Process = Process{T: t, Path: path, Args: []string{"-c", file}}
	m.Start()
	t.Cleanup(func() { m.Stop(syscall.SIGTERM) })
	return m
}

// Start starts the broker and waits until it listens.
func (m *mosquitto) Start() {
	m.T.Helper()
	m.Process.Start()
	Eventually(m.T, 10*time.Second, "mosquitto to listen", listening(m.Address))
}

// Influx is an InfluxDB 1.8 with the version 2 write API and Flux.
type Influx struct {
	Process
	URL string
}

// StartInflux starts an InfluxDB with an empty database bayfill.
func StartInflux(t testing.TB) *Influx {
	t.Helper()
	path := NeedProgram(t, "influxd")
	address, backup := FreePort(t), FreePort(t)
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
	i := &Influx{URL: "http://" + address}
	i.Process = Process{T: t, Path: path, Args: []string{"-config", file}}
	i.Start()
	t.Cleanup(func() { i.Stop(syscall.SIGTERM) })
	i.QL("CREATE DATABASE bayfill")
	return i
}

// Start starts the server and waits until it answers.
func (i *Influx) Start() {
	i.T.Helper()
	i.Process.Start()
	Eventually(i.T, 20*time.Second, "influxd to answer", func() bool {
		r, err := http.Get(i.URL + "/ping")
		if err != nil {
			return false
		}
		r.Body.Close()
		return r.StatusCode == http.StatusNoContent
	})
}

// QL runs a statement of the old query language, which can create databases.
func (i *Influx) QL(statement string) {
	i.T.Helper()
	r, err := http.PostForm(i.URL+"/query", map[string][]string{"q": {statement}, "db": {"bayfill"}})
	if err != nil {
		i.T.Fatal(err)
	}
	defer r.Body.Close()
	if body, _ := io.ReadAll(r.Body); r.StatusCode != 200 || bytes.Contains(body, []byte("error")) {
		i.T.Fatalf("%s: %s", statement, body)
	}
}

// row is one point, its tags and fields by name.
type row map[string]any

// Rows reads all points of a measurement in order of time, with Flux.
func (i *Influx) Rows(measurement string) []row {
	i.T.Helper()
	return QueryRows(i.T, i, "bayfill/autogen", measurement)
}

// QueryRows is the same for a bucket, which is database/retention here.
func QueryRows(t testing.TB, i *Influx, bucket, measurement string) []row {
	t.Helper()
	client := influxdb2.NewClient(i.URL, "")
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

// ContractCheck returns a function that validates messages against the published schemas.
// It fails the test for the first invalid message on each topic.
func ContractCheck(t testing.TB) func(topic string, payload []byte) {
	reported := map[string]bool{}
	return func(topic string, payload []byte) {
		if reported[topic] {
			return
		}
		if err := schematest.Published(topic, payload); err != nil {
			reported[topic] = true
			t.Errorf("%s: %v", topic, err)
		}
	}
}

// Message is a message that a subscriber has received.
type Message struct {
	Topic    string
	Payload  []byte
	QoS      byte
	Retained bool
	At       time.Time
}

// Subscriber is an MQTT client that keeps all messages. At the end of the test it
// validates them against the published schemas.
type Subscriber struct {
	T        testing.TB
	Client   mqtt.Client
	Invented bool // the test publishes messages that no bridge would: validate nothing
	mu       sync.Mutex
	got      []Message
}

// Subscribe connects a subscriber to a broker. It reconnects by itself.
func Subscribe(t testing.TB, url, username, password string, filters ...string) *Subscriber {
	t.Helper()
	s := &Subscriber{T: t}
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
			s.got = append(s.got, Message{m.Topic(), m.Payload(), m.Qos(), m.Retained(), time.Now()})
		})
	})
	s.Client = mqtt.NewClient(o)
	if token := s.Client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("connecting to %s: %v", url, token.Error())
	}
	t.Cleanup(func() {
		s.Client.Disconnect(50)
		if s.Invented {
			return
		}
		check := ContractCheck(t)
		for _, m := range s.All() {
			check(m.Topic, m.Payload)
		}
	})
	return s
}

// All returns all messages so far.
func (s *Subscriber) All() []Message {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Message(nil), s.got...)
}

// Last returns the newest message whose topic has an ending.
func (s *Subscriber) Last(end string) (Message, bool) {
	all := s.All()
	for i := len(all) - 1; i >= 0; i-- {
		if strings.HasSuffix(all[i].Topic, end) {
			return all[i], true
		}
	}
	return Message{}, false
}

// Read decodes the newest message of a leaf. It is zero when there is none.
func Read[T any](s *Subscriber, leaf wire.Leaf) T {
	s.T.Helper()
	var v T
	if m, ok := s.Last("/" + string(leaf)); ok {
		if err := json.Unmarshal(m.Payload, &v); err != nil {
			s.T.Fatalf("%s: %v in %s", m.Topic, err, m.Payload)
		}
	}
	return v
}

// Publish publishes a message and waits for the acknowledgement.
func (s *Subscriber) Publish(topic string, retained bool, payload string) {
	s.T.Helper()
	if token := s.Client.Publish(topic, 1, retained, payload); !token.WaitTimeout(10 * time.Second) {
		s.T.Fatalf("publishing to %s: no answer", topic)
	}
}

// Command sends a command to the test cart and returns the reply.
func (s *Subscriber) Command(payload string) wire.Reply {
	s.T.Helper()
	id, ok := wire.CommandID([]byte(payload))
	if !ok {
		id = "refused"
	}
	before := len(s.All())
	s.Publish("bayfill/test/cart/commands", false, payload)
	var r wire.Reply
	Eventually(s.T, 10*time.Second, "the reply to "+payload, func() bool {
		for _, m := range s.All()[before:] {
			if m.Topic == "bayfill/test/cart/replies/"+id {
				return json.Unmarshal(m.Payload, &r) == nil
			}
		}
		return false
	})
	return r
}

// Must sends commands that have to succeed, each as the JSON after the id. It repeats a
// command while a scale has not settled.
func (s *Subscriber) Must(commands ...string) {
	s.T.Helper()
	for _, c := range commands {
		var r wire.Reply
		Eventually(s.T, 20*time.Second, "settled scales", func() bool {
			r = s.Command(fmt.Sprintf(`{"id":"t%d",%s}`, time.Now().UnixNano(), c))
			return !strings.Contains(r.Error, "has not settled yet")
		})
		if !r.OK {
			s.T.Fatalf("%s: %s", c, r.Error)
		}
	}
}

// OpenJob is a command that opens a job, as the JSON after the id.
const OpenJob = `"do":"open","job":"job-1","vehicle":"test van","used_fluid":"used","fluid":"fresh","low_c":35,"high_c":45`

// The fluids of the simulator. [ConfigText] configures the same ones.
var (
	UsedFluid  = sim.Fluid{Name: "used", Density15KgM3: 858, Viscosity40: 30, Viscosity100: 6.1}
	FreshFluid = sim.Fluid{Name: "fresh", Density15KgM3: 846, Viscosity40: 35, Viscosity100: 7.2}
)

// NewRig starts a simulated cart on pseudo-terminals that runs until the test ends. Its
// clock runs speed times as fast as real time.
func NewRig(t testing.TB, speed float64) *sim.Rig {
	t.Helper()
	return NewRigAt(t, speed, 1)
}

// NewRigAt is the same with instruments that send rate times as often as usual.
func NewRigAt(t testing.TB, speed, rate float64) *sim.Rig {
	t.Helper()
	p := sim.DefaultParams()
	p.Used, p.Fresh, p.FluidC = UsedFluid, FreshFluid, 30
	caddy, supply, probe := sim.DefaultScaleParams(), sim.DefaultScaleParams(), sim.DefaultProbeParams()
	supply.What = sim.OnSupply
	caddy.ReadsPerS *= rate
	supply.ReadsPerS *= rate
	probe.ReadsPerS *= rate
	clock := clock.New(0, speed)
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

// ConfigText returns the configuration file of a cart on a rig.
func ConfigText(rig *sim.Rig, data, brokerURL, historyURL string) string {
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

// Log returns a logger that is silent unless BAYFILL_TEST_LOG is set.
func Log() *slog.Logger {
	if os.Getenv("BAYFILL_TEST_LOG") != "" {
		return slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	return slog.New(slog.DiscardHandler)
}
