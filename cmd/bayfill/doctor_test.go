package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"golang.org/x/sys/unix"

	"bayfill/bridge"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// patient is a workshop to look at: its configuration file and what it says.
type patient struct {
	t                  *testing.T
	dir, path, address string
	text               string
}

func newPatient(t *testing.T) *patient {
	t.Helper()
	dir := t.TempDir()
	start := time.Now()
	rig, err := workshop(filepath.Join(dir, "ports"), 1, func() time.Duration { return time.Since(start) }, shopFloor{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := rig.Run(ctx); err != nil {
			t.Errorf("rig: %v", err)
		}
	})
	t.Cleanup(func() { stop(); running.Wait() })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	p := &patient{t: t, dir: dir, path: filepath.Join(dir, "bayfill.yaml"), address: l.Addr().String()}
	broker, err := embeddedBroker(dir, p.address, "technician's")
	if err != nil {
		t.Fatal(err)
	}
	p.text = workshopConfig(dir, broker, "", 1)
	return p
}

// examine runs the doctor on a configuration; each paragraph of what it says is one
// line here.
func (p *patient) examine(text string) (status int, says []string) {
	p.t.Helper()
	if err := os.WriteFile(p.path, []byte(text), 0o600); err != nil {
		p.t.Fatal(err)
	}
	status, out, errors := program(p.t.Context(), "doctor", "--config", p.path)
	if (status == 0) != (errors == "") {
		p.t.Errorf("status %d: %s", status, errors)
	}
	for line := range strings.Lines(out) {
		line = strings.TrimRight(line, "\n")
		if n := utf8.RuneCountInString(line); n > doctorWidth && strings.Contains(strings.TrimSpace(line), " ") {
			p.t.Errorf("%d columns: %s", n, line)
		}
		if line[0] == ' ' {
			says[len(says)-1] += " " + strings.TrimSpace(line)
		} else {
			says = append(says, strings.Join(strings.Fields(line), " "))
		}
	}
	return status, says
}

// run runs a bridge on the configuration that was examined last, until it is stopped.
func (p *patient) run() (b *bridge.Bridge, stop func()) {
	p.t.Helper()
	config, err := config.Load(p.path)
	if err != nil {
		p.t.Fatal(err)
	}
	if b, err = bridge.New(p.t.Context(), config, bridge.Options{Log: slog.New(slog.DiscardHandler)}); err != nil {
		p.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(p.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	return b, func() {
		cancel()
		if err := <-ended; err != nil {
			p.t.Error(err)
		}
	}
}

// wants checks that each of these beginnings is that of a paragraph, and that
// nothing else is wrong.
func (p *patient) wants(says []string, wants ...string) {
	p.t.Helper()
	wrong := 0
	for _, want := range wants {
		if strings.HasPrefix(want, "wrong") {
			wrong++
		}
		found := false
		for _, s := range says {
			found = found || strings.HasPrefix(s, want)
		}
		if !found {
			p.t.Errorf("%q is not said, but\n%s", want, strings.Join(says, "\n"))
		}
	}
	for _, s := range says {
		if strings.HasPrefix(s, "wrong") {
			wrong--
		}
	}
	if wrong != 0 {
		p.t.Errorf("%d things are wrong too many in\n%s", -wrong, strings.Join(says, "\n"))
	}
}

// All well, before the bridge runs, while it does, and after; it notices nothing.
func TestDoctorOnAHealthyWorkshop(t *testing.T) {
	p := newPatient(t)
	status, says := p.examine(p.text)
	p.wants(says, "ok configuration: ", "ok secrets: ", "ok running: no bridge runs cart bay2 now", "ok data folder: "+p.dir+"/data is not there yet", "ok disk: ",
		"ok journal of bay2: none yet", "ok port of bay2/caddy-scale: "+p.dir+"/ports/caddy-scale is there, free, and may be opened",
		"ok broker: the bridge's own can listen on "+p.address, "ok history: none", "look calibration of bay2/caddy-scale: never calibrated: bayfill calibrate --cart bay2 --sensor caddy-scale")
	if status != 0 {
		t.Errorf("status %d", status)
	}

	_, spanish, _ := program(t.Context(), "doctor", "--config", p.path, "--lang", "es")
	bridgetest.Spanish(t, spanish, p.dir)

	b, stop := p.run()
	s, err := openStation(t.Context(), contact{broker: mqtt.Endpoint{URLs: []string{b.BrokerURL()}, Username: demoUser, Password: "technician's"}, prefix: prefix})
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	bridgetest.Eventually(t, 10*time.Second, "readings", func() bool { return s.look().presence.Online && !s.look().volumesAt.IsZero() })
	before := s.look().presence
	status, says = p.examine(p.text)
	p.wants(says, fmt.Sprintf("ok running: process %d runs cart bay2", os.Getpid()), "ok data folder: ", "ok journal of bay2: event ",
		"ok port of bay2/caddy-scale: "+p.dir+"/ports/caddy-scale is there and in use by the bridge", "ok broker: the bridge's own on "+p.address+` lets user "technician" in`)
	if status != 0 {
		t.Errorf("status %d", status)
	}
	after := s.look()
	if after.presence.Session != before.Session || !after.presence.Online {
		t.Errorf("the bridge was disturbed: presence is %+v, was %+v", after.presence, before)
	}
	for _, a := range after.alerts.Alerts {
		if !strings.HasPrefix(a.Kind, "calibration:") {
			t.Errorf("the bridge was disturbed: %+v", a)
		}
	}
	stop()
	_, says = p.examine(p.text)
	p.wants(says, "ok running: no bridge runs cart bay2 now", "ok journal of bay2: event ", "ok port of bay2/caddy-scale: "+p.dir+"/ports/caddy-scale is there, free")
}

// The bridge's own broker over TLS: check says so, and the doctor goes in by TLS
// and says until when the certificate is valid.
func TestDoctorOnABrokerWithTLS(t *testing.T) {
	p := newPatient(t)
	_, certFile := selfSigned(t)
	plain := "  listen: " + p.address + "\n"
	secured := strings.Replace(p.text, plain, fmt.Sprintf("%s  cert_file: %s\n  key_file: %s\n", plain, certFile, certFile+".key"), 1)

	beyond := strings.Replace(p.text, p.address, ":1883", 1)
	for text, transport := range map[string]string{
		p.text:  "in plain text, which only this machine reaches, for",
		beyond:  "in plain text: everybody in the network can read passwords",
		secured: "over TLS, for",
	} {
		if err := os.WriteFile(p.path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if status, out, errors := program(t.Context(), "check", "--config", p.path); status != 0 || !strings.Contains(out, transport) {
			t.Errorf("check: status %d: %s%s", status, out, errors)
		}
	}

	_, says := p.examine(secured)
	p.wants(says, "look broker's certificate: valid until ", "ok broker: the bridge's own can listen on "+p.address)

	_, stop := p.run()
	bridgetest.Eventually(t, 10*time.Second, "the broker", func() bool {
		c, err := net.Dial("tcp", p.address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	_, says = p.examine(secured)
	p.wants(says, "look broker's certificate: valid until ", "ok broker: the bridge's own on "+p.address+` lets user "technician" in`)
	stop()

	_, says = p.examine(strings.Replace(secured, certFile+".key", filepath.Join(p.dir, "gone.key"), 1))
	p.wants(says, "wrong secrets: ")
}

// Everything that can be wrong without hardware, each with what to do.
func TestDoctorFindsWhatIsWrong(t *testing.T) {
	p := newPatient(t)
	data := filepath.Join(p.dir, "data")
	if err := os.Mkdir(data, 0o700); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(p.dir, "a file")
	if err := os.WriteFile(file, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	refuses := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusUnauthorized) }))
	defer refuses.Close()
	port := filepath.Join(p.dir, "ports", "caddy-scale")
	replace := func(old, new string) string {
		t.Helper()
		if !strings.Contains(p.text, old) {
			t.Fatalf("no %q in the configuration", old)
		}
		return strings.Replace(p.text, old, new, 1)
	}
	for _, c := range []struct {
		text  string
		wants []string
	}{
		{strings.Replace(replace("capacity_kg", "capacty_kg"), "shop:", "readings: some\nshop:", 1),
			[]string{"wrong configuration: " + p.path + `: line 2: readings: "some" is not one of`, "wrong configuration: " + p.path + ": line 25: unknown key"}},
		{replace("technician.password", "none.password"), []string{"wrong secrets: broker.users[0].password: " + p.dir}},
		{replace("data: "+data, "data: "+file+"/data"), []string{"wrong data folder: ", "look running: "}},
		{replace(port, port+"x"), []string{"wrong port of bay2/caddy-scale: " + port + "x is missing: plug the cable in"}},
		{replace("port: "+port, "port: '"+file+"'"), []string{"wrong port of bay2/caddy-scale: " + file + " is not a serial port"}},
		{replace(p.address, taken.Addr().String()), []string{"wrong broker: broker.listen: " + taken.Addr().String() + " is in use by process "}},
		{p.text + "history: {url: 'http://" + p.address + "', bucket: b}\n", []string{"wrong history: http://" + p.address + ": history server does not answer"}},
		{p.text + "history: {url: '" + refuses.URL + "', bucket: b}\n", []string{"wrong history: " + refuses.URL + ": history server refuses the token"}},
		{p.text + "service_data: '" + file + "s'\n", []string{"wrong service data: " + file + "s"}},
	} {
		status, says := p.examine(c.text)
		p.wants(says, c.wants...)
		if status != 1 {
			t.Errorf("status %d for %q", status, c.wants)
		}
	}

	// Whatever takes points may not be read.
	for version, want := range map[string]string{
		"1.8.10": "ok history: InfluxDB 1.8.10 can be read by bayfill audit",
		"v2.7.6": "look history: InfluxDB 2.7.6 takes points but cannot be read: 403 Forbidden: insufficient permissions; bayfill audit needs a token that may read the bucket, or audits from the journals (--journal)",
		"3.2.1":  "ok history: InfluxDB 3.2.1 can be read by bayfill audit",
	} {
		takes := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("X-Influxdb-Version", version)
			switch {
			case r.URL.Path != "/query":
				w.WriteHeader(http.StatusNoContent)
			case version == "v2.7.6":
				w.WriteHeader(http.StatusForbidden)
				io.WriteString(w, `{"code":"forbidden","message":"insufficient permissions"}`)
			default:
				io.WriteString(w, `{"results":[{"statement_id":0}]}`)
			}
		}))
		_, says := p.examine(p.text + "history: {url: '" + takes.URL + "', bucket: b}\n")
		takes.Close()
		p.wants(says, "ok history: "+takes.URL+" accepts points for bucket b", want)
	}

	// In use by another program, which keeps it.
	f, err := os.OpenFile(port, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	_, says := p.examine(p.text)
	p.wants(says, "wrong port of bay2/caddy-scale: "+port+" is in use, and not by the bridge")
	unix.Flock(int(f.Fd()), unix.LOCK_UN)

	// A damaged journal.
	if err := os.WriteFile(filepath.Join(data, "bay2.journal"), bytes.Repeat([]byte("no journal "), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	_, says = p.examine(p.text)
	p.wants(says, "wrong journal of bay2: journal ")
	os.Remove(filepath.Join(data, "bay2.journal"))

	// Calibrations that passed, failed, and are torn.
	now := time.Now().UnixNano()
	year := int64(365 * 24 * time.Hour)
	keep := func(sensor string, passed bool, dueNs int64) {
		t.Helper()
		fit, err := fillcalc.FitScale([]fillcalc.ScalePoint{{}, {KnownKg: 10, ShownKg: 10}}, fillcalc.ScaleSetup{ResolutionKg: 0.005}, 0, now-year, dueNs)
		if err != nil {
			t.Fatal(err)
		}
		fit.Passed = passed
		c := config.Calibration{Cart: "bay2", Sensor: sensor, Scale: &fit}
		line, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(data, "bay2."+sensor+".calibration.jsonl"), append(line, '\n'), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	keep("caddy-scale", true, now+year)
	keep("supply-scale", false, now+year)
	keep("fluid-probe", true, now-1)
	_, says = p.examine(p.text)
	p.wants(says, "ok calibration of bay2/caddy-scale: passed", "wrong calibration of bay2/supply-scale: FAILED", "look calibration of bay2/fluid-probe: passed")
}

// A cart's time that is ahead of the computer's.
func TestDoctorOnAJournalOfANewerVersion(t *testing.T) {
	p := newPatient(t)
	if _, says := p.examine(p.text); len(says) == 0 {
		t.Fatal("nothing is said")
	}
	config, err := config.Load(p.path)
	if err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(config.JournalPath("bay2"))
	if err != nil {
		t.Fatal(err)
	}
	tomorrow := fillcalc.Event{Seq: 1, AtNs: time.Now().Add(24 * time.Hour).UnixNano(), Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoTick}}
	if err := j.Append(t.Context(), journal.Batch{Events: []fillcalc.Event{tomorrow}}); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	status, says := p.examine(p.text)
	p.wants(says, "look journal of bay2: event 1 of ")
	if status != 0 || !strings.Contains(strings.Join(says, "\n"), "24h0m0s ahead of this computer's clock") {
		t.Errorf("status %d:\n%s", status, strings.Join(says, "\n"))
	}
}

// readers may come in and read, not write.
type readers struct{ bridgetest.Everybody }

func (*readers) OnACLCheck(_ *mqttd.Client, _ string, write bool) bool { return !write }

// An external broker: who is let in, until when its certificate is good, and what
// may be written, as far as that can be tried without saying what is not true.
func TestDoctorOnAnExternalBroker(t *testing.T) {
	p := newPatient(t)
	own := p.text[strings.Index(p.text, "broker:"):strings.Index(p.text, "fluids:")]
	with := func(lines string) string { return strings.Replace(p.text, own, lines, 1) }

	url, caFile := startSecured(t)
	status, says := p.examine(with(fmt.Sprintf("broker: {url: %q, ca_file: %q}\n", url, caFile)))
	p.wants(says, "ok broker: "+url, "look broker's certificate: valid until ", "ok rights on bayfill/hilltop/bay2/presence: may be written and read")
	if status != 0 {
		t.Errorf("status %d", status)
	}
	_, says = p.examine(with(fmt.Sprintf("broker: {url: %q}\n", url)))
	p.wants(says, "wrong broker: "+url+": its certificate is not signed by an authority")
	_, says = p.examine(with("broker: {url: 'tcp://" + p.address + "', username: bridge}\n"))
	p.wants(says, "wrong broker: tcp://"+p.address+": nothing listens there: is the broker running")

	mosquitto := bridgetest.StartMosquitto(t).URL
	var mu sync.Mutex
	var heard []mqtt.Message
	conn := subscribeAll(t, mosquitto, "", "", func(m mqtt.Message) { mu.Lock(); heard = append(heard, m); mu.Unlock() })
	_, says = p.examine(with("broker: {url: '" + mosquitto + "'}\n"))
	p.wants(says, "ok rights on bayfill/hilltop/bay2/presence: may be written and read")
	p.wants(says, "ok broker's memory: a subscription with a wildcard gets retained messages")
	// It says only what is true, and nobody keeps it.
	count := func() int { mu.Lock(); defer mu.Unlock(); return len(heard) }
	bridgetest.Eventually(t, 10*time.Second, "its message", func() bool { return count() > 0 })
	mu.Lock()
	for _, m := range heard {
		var presence wire.Presence
		if err := json.Unmarshal(m.Payload, &presence); err != nil || m.Topic != prefix+"presence" || m.Retained || presence.Online {
			t.Errorf("it sent %s: %s", m.Topic, m.Payload)
		}
	}
	mu.Unlock()
	late, err := openStation(t.Context(), contact{broker: mqtt.Endpoint{URLs: []string{mosquitto}}, prefix: prefix})
	if err != nil {
		t.Fatal(err)
	}
	defer late.close()
	publish(t, conn, prefix+"volumes", false, "{}")
	bridgetest.Eventually(t, 10*time.Second, "the end", func() bool { return !late.look().volumesAt.IsZero() })
	if kept := late.look(); !kept.presenceAt.IsZero() {
		t.Errorf("%+v is retained", kept.presence)
	}
	// While a bridge is online elsewhere it sends nothing.
	since := time.Now().UTC().Format(time.RFC3339)
	online, err := json.Marshal(wire.Presence{Online: true, TS: since, EveryS: 10, Since: &since, Session: "a", Version: "1", Contract: 1})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, conn, prefix+"presence", true, string(online))
	bridgetest.Eventually(t, 10*time.Second, "the cart", func() bool { return count() == 3 })
	_, says = p.examine(with("broker: {urls: ['tcp://127.0.0.1:1', '" + mosquitto + "']}\n"))
	p.wants(says, "wrong broker: tcp://127.0.0.1:1: ", "ok broker: "+mosquitto, "look rights on bayfill/hilltop/bay2/presence: a cart of this name is online")
	// What it sent would have come before this.
	publish(t, conn, prefix+"alerts", false, "end")
	bridgetest.Eventually(t, 10*time.Second, "the end", func() bool {
		mu.Lock()
		defer mu.Unlock()
		return strings.HasSuffix(heard[len(heard)-1].Topic, "/alerts")
	})
	if n := count(); n != 4 {
		t.Errorf("%d messages, want its one, the cart's and both ends", n)
	}

	// A cart whose network failed behind a broker that still says "online" is not.
	old, err := json.Marshal(wire.Presence{Online: true, TS: "2026-11-25T09:00:00.000Z", EveryS: 1, Since: &since, Session: "a", Version: "1", Contract: 1})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, conn, prefix+"presence", true, string(old))
	_, says = p.examine(with("broker: {url: '" + mosquitto + "'}\n"))
	p.wants(says, "look rights on bayfill/hilltop/bay2/presence: the broker keeps a message that the cart is online, but it is silent", "ok rights on bayfill/hilltop/bay2/presence: may be written and read")

	server := mqttd.New(&mqttd.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(new(readers), nil); err != nil {
		t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0"})
	if err := server.AddListener(listener); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Close() })
	_, says = p.examine(with("broker: {url: 'tcp://" + listener.Address() + "'}\n"))
	p.wants(says, "ok broker: ", "wrong rights on bayfill/hilltop/bay2/presence: ")
}
