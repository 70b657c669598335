package bridge

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/broker"
	"bayfill/bridge/build"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/sim"
)

// promised is the time within which all leaves are right after a broker's return: ten seconds,
// and as much again for a loaded machine.
const promised = 20 * time.Second

// A broker is away for ten minutes of a job and has lost everything. Afterwards it has the
// newest message of every leaf, and no subscriber sees an older one again.
func TestOutageEndsWithTheNewestMessages(t *testing.T) {
	// The figures do not matter here, only which are newest. One weight a second is enough, so
	// that a loaded machine keeps up.
	const speed = 100
	broker := bridgetest.StartMosquitto(t)
	rig := bridgetest.NewRigAt(t, speed, 0.1)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"volumes", bridgetest.Topics+"window", bridgetest.Topics+"job", bridgetest.Topics+"alerts")
	b, stop := runBridge(t, testConfig(t, rig, t.TempDir(), broker.URL, ""), speed)
	l := b.carts[0]
	keypad := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	first := bridgetest.Online(t, keypad, "")
	keypad.Must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
	rig.Do((*sim.Cart).OpenDrain)
	bridgetest.Eventually(t, 20*time.Second, "half a kilogram in the caddy", func() bool { return rig.Truth().DrainedKg > 0.5 })

	broker.Stop(syscall.SIGKILL)
	// During the outage the drain ends, a tool is laid down, and a probe is silent for a while.
	rig.Do(func(c *sim.Cart) { c.LayOnCaddy(0.7) })
	rig.Faults("probe").Set(sim.FaultSettings{Silent: true})
	now := func() (v wire.Volumes) { json.Unmarshal([]byte(l.Leaves()[wire.VolumesLeaf]), &v); return v }
	left := now()
	minutes := func(from, to string) float64 {
		a, errA := time.Parse(wire.TimeLayout, from)
		b, errB := time.Parse(wire.TimeLayout, to)
		if err := errors.Join(errA, errB); err != nil {
			t.Fatal(err)
		}
		return b.Sub(a).Minutes()
	}
	bridgetest.Eventually(t, 30*time.Second, "five minutes on the cart's clock", func() bool { return minutes(left.TS, now().TS) > 5 })
	rig.Faults("probe").Set(sim.FaultSettings{})
	bridgetest.Eventually(t, 30*time.Second, "ten minutes on the cart's clock", func() bool { return minutes(left.TS, now().TS) > 10 })
	atReturn, newest := now(), l.Leaves()
	before := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf) // by now the reader has all that was sent before the kill
	back := time.Now()
	broker.Start()
	second := bridgetest.Online(t, keypad, first.Session)
	took := time.Since(back)
	if took > promised {
		t.Errorf("online again after %v", took)
	}
	bridgetest.Eventually(t, 20*time.Second, "live volumes", func() bool { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Seq > atReturn.Seq+100 })

	all := s.All()
	bridgetest.NeverBack(t, all)
	returned := 0
	for i, m := range all {
		var v wire.Volumes
		if json.Unmarshal(m.Payload, &v); strings.HasSuffix(m.Topic, "/volumes") && v.Seq > before.Seq {
			returned = i
			break
		}
	}
	for _, m := range all[returned:] {
		var v wire.Volumes
		leaf := wire.Leaf(strings.TrimPrefix(m.Topic, bridgetest.Topics))
		if json.Unmarshal(m.Payload, &v); v.TS < atReturn.TS && string(m.Payload) != newest[leaf] {
			t.Errorf("%s from the outage was sent: %s, the broker came back at %s", m.Topic, v.TS, atReturn.TS)
		}
	}
	t.Logf("%.1f minutes away, %d events; online again after %.1f s as %s",
		minutes(left.TS, atReturn.TS), atReturn.Seq-left.Seq, took.Seconds(), second.Session)

	// Nothing changes after the stop, so every leaf can be compared with the last message that
	// the link was given.
	stop()
	late := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	want := l.Leaves()
	for _, leaf := range wire.StateLeaves[1:] {
		bridgetest.Eventually(t, 5*time.Second, "retained "+string(leaf), func() bool { _, ok := late.Last("/" + string(leaf)); return ok })
		if m, _ := late.Last("/" + string(leaf)); !m.Retained || string(m.Payload) != want[leaf] {
			t.Errorf("retained %s is\n%s\nthe newest was\n%s", leaf, m.Payload, want[leaf])
		}
	}
	if a := bridgetest.Read[wire.Alerts](late, wire.AlertsLeaf); strings.Contains(string(wire.Encode(a)), "broker") {
		t.Errorf("the broker is back and still an alert: %+v", a)
	}
}

// A connection loses everything without being closed. The bridge notices it and reconnects as
// soon as it can, and messages that the old connection delivers late change nothing.
func TestHalfOpenLink(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	p := bridgetest.StartProxy(t, broker.Address)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	config := journaltest.BareConfig(t, t.TempDir(), `{url: "`+p.URL+`"}`)
	// The timeouts are short, so that the broker still keeps the stuck connection, as it does
	// for the fifteen seconds that follow from a keep-alive of ten.
	b, _ := runBridgeWith(t, config, Options{Speed: 50, Open: bridgetest.Mute}, nil)
	l := b.carts[0]
	first := bridgetest.Online(t, s, "")
	s.Must(bridgetest.OpenJob) // in a job volumes are a sign of life
	seq := func() uint64 { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Seq }
	bridgetest.Eventually(t, 10*time.Second, "live volumes", func() bool { return seq() > 100 })

	p.Pass(math.MaxInt)
	frozen := time.Now()
	bridgetest.Eventually(t, 20*time.Second, "the alert", func() bool { return strings.Contains(l.Leaves()[wire.AlertsLeaf], `"broker"`) })
	noticed := time.Since(frozen)
	if noticed > 12*time.Second {
		t.Errorf("noticed after %v: by the pings only", noticed)
	}
	dark, _ := p.Connections()
	bridgetest.Eventually(t, 20*time.Second, "a new try", func() bool { all, _ := p.Connections(); return all > dark })
	if last := bridgetest.Read[wire.Presence](s, wire.PresenceLeaf); last.Session != first.Session {
		t.Fatalf("the proxy leaks: presence is %+v", last)
	}
	// New connections are forwarded; the stuck ones stay stuck.
	dark, _ = p.Connections()
	p.Pass(dark)
	bridgetest.Online(t, s, first.Session)
	atReturn := seq()
	bridgetest.Eventually(t, 10*time.Second, "live volumes", func() bool { return seq() > atReturn+100 })
	// Now the stuck connections deliver what they held back: old leaves, and attempts to
	// connect, which end the present connection.
	p.Pass(0)
	bridgetest.Eventually(t, 10*time.Second, "the end of what was stuck", func() bool { _, live := p.Connections(); return live == 1 })
	bridgetest.Eventually(t, 10*time.Second, "presence as it is", func() bool {
		now, _ := s.Last("/presence")
		return string(now.Payload) == l.Leaves()[wire.PresenceLeaf]
	})
	atRelease := seq()
	bridgetest.Eventually(t, 10*time.Second, "more volumes", func() bool { return seq() > atRelease+100 })
	if now, _ := s.Last("/presence"); string(now.Payload) != l.Leaves()[wire.PresenceLeaf] {
		t.Errorf("presence is %s, the bridge said last %s", now.Payload, l.Leaves()[wire.PresenceLeaf])
	}
	bridgetest.NeverBack(t, s.All())
	all, _ := p.Connections()
	t.Logf("noticed after %.1f s, %d connections", noticed.Seconds(), all)
}

// The bridge corrects a will that arrives late, and any other false message on the leaf
// presence.
func TestPresenceAfterALateWill(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	s.Invented = true
	runBridgeWith(t, journaltest.BareConfig(t, t.TempDir(), `{url: "`+broker.URL+`"}`), Options{Open: bridgetest.Mute}, nil)
	birth := bridgetest.Online(t, s, "")
	for _, untrue := range []string{
		string(wire.Encode(wire.Presence{Session: "0123456789abcdef", Version: build.Version, Contract: wire.ContractVersion})),
		string(wire.Encode(wire.Presence{Session: birth.Session, Version: build.Version, Contract: wire.ContractVersion})),
		string(wire.Encode(wire.Presence{Online: true, Session: "0123456789abcdef"})),
		`{"online":true}`, `online`, `[]`, ``,
	} {
		before := len(s.All())
		s.Publish(bridgetest.Topics+"presence", true, untrue)
		bridgetest.Eventually(t, 10*time.Second, "the correction of "+untrue, func() bool {
			sawIt := false
			for _, m := range s.All()[before:] {
				var p wire.Presence
				switch {
				case m.Topic != bridgetest.Topics+"presence":
				case string(m.Payload) == untrue:
					sawIt = true
				case sawIt:
					return json.Unmarshal(m.Payload, &p) == nil && p.Online && p.Session == birth.Session && p.Since != nil
				}
			}
			return false
		})
	}
	late := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"presence")
	if p := bridgetest.Online(t, late, ""); p.Session != birth.Session {
		t.Errorf("retained presence is %+v, want session %s", p, birth.Session)
	}
}

// A broker that restarts with an older file on its disk shows old leaves for a moment. Within
// ten seconds it must show the present ones.
func TestPresenceAfterAnOlderBrokerFile(t *testing.T) {
	kept := t.TempDir()
	broker := bridgetest.StartMosquitto(t, "persistence true", "persistence_location "+kept+"/", "autosave_interval 0")
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#", "canary")
	data := t.TempDir()
	config := func() *config.Config { return journaltest.BareConfig(t, data, `{url: "`+broker.URL+`"}`) }
	_, stop := runBridgeWith(t, config(), Options{Open: bridgetest.Mute}, nil)
	first := bridgetest.Online(t, s, "")
	stop()
	s.Publish("canary", true, "old")
	broker.Cmd.Process.Signal(syscall.SIGUSR1) // save now
	file := filepath.Join(kept, "mosquitto.db")
	var old []byte
	bridgetest.Eventually(t, 10*time.Second, "the broker's file", func() bool {
		old, _ = os.ReadFile(file)
		return strings.Contains(string(old), "canary") && strings.Contains(string(old), first.Session)
	})
	s.Publish("canary", true, "new")

	b, _ := runBridgeWith(t, config(), Options{Open: bridgetest.Mute, Speed: 20}, nil)
	second := bridgetest.Online(t, s, first.Session)
	s.Must(bridgetest.OpenJob)
	bridgetest.Eventually(t, 10*time.Second, "the job", func() bool { return bridgetest.Read[wire.Job](s, wire.JobLeaf).Job == "job-1" })
	broker.Stop(syscall.SIGTERM)
	if err := os.WriteFile(file, old, 0o600); err != nil {
		t.Fatal(err)
	}
	back := time.Now()
	broker.Start()
	late := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#", "canary")
	bridgetest.Eventually(t, 10*time.Second, "the canary", func() bool { _, ok := late.Last("canary"); return ok })
	if m, _ := late.Last("canary"); string(m.Payload) != "old" {
		t.Fatalf("the broker came back with %q: not the older file", m.Payload)
	}
	l := b.carts[0]
	bridgetest.Eventually(t, 20*time.Second, "every leaf as the bridge gave it last", func() bool {
		now := l.Leaves()
		for _, leaf := range wire.StateLeaves {
			if m, _ := late.Last("/" + string(leaf)); string(m.Payload) != now[leaf] {
				return false
			}
		}
		return bridgetest.Read[wire.Presence](late, wire.PresenceLeaf).Online
	})
	took := time.Since(back)
	if took > promised {
		t.Errorf("true again after %v", took)
	}
	if j := bridgetest.Read[wire.Job](late, wire.JobLeaf); j.Job != "job-1" || bridgetest.Read[wire.Presence](late, wire.PresenceLeaf).Session == second.Session {
		t.Errorf("job %q, presence %+v", j.Job, bridgetest.Read[wire.Presence](late, wire.PresenceLeaf))
	}
	t.Logf("true again after %.1f s", took.Seconds())
}

// A broker accepts the bridge but refuses its subscription to commands. The client library
// takes the refusal for success; the bridge raises an alert that says what to do.
func TestRefusedSubscriptionIsReported(t *testing.T) {
	server := mqttd.New(&mqttd.Options{Logger: bridgetest.Log()})
	if err := server.AddHook(new(noCommands), nil); err != nil {
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
	url := "tcp://" + listener.Address()
	s := bridgetest.Subscribe(t, url, "", "", bridgetest.Topics+"presence", bridgetest.Topics+"alerts")
	runBridgeWith(t, journaltest.BareConfig(t, t.TempDir(), `{url: "`+url+`"}`), Options{Open: bridgetest.Mute}, nil)
	bridgetest.Online(t, s, "")
	bridgetest.Eventually(t, 10*time.Second, "the alert", func() bool {
		for _, a := range bridgetest.Read[wire.Alerts](s, wire.AlertsLeaf).Alerts {
			if a.Kind == "broker" {
				return a.Say == "alert.broker_right" && a.Names["topic"] == bridgetest.Topics+"commands"
			}
		}
		return false
	})
}

// noCommands allows everything except reading commands.
type noCommands struct{ mqttd.HookBase }

func (*noCommands) Provides(what byte) bool {
	return what == mqttd.OnConnectAuthenticate || what == mqttd.OnACLCheck
}
func (*noCommands) OnConnectAuthenticate(*mqttd.Client, packets.Packet) bool { return true }
func (*noCommands) OnACLCheck(_ *mqttd.Client, topic string, write bool) bool {
	return write || !broker.CommandTopic(topic)
}
