package bridge

import (
	"encoding/json"
	"errors"
	"fmt"
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
	before := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
	// During the outage the drain ends, a tool is laid down, and a probe is silent for a while.
	rig.Do(func(c *sim.Cart) { c.LayOnCaddy(0.7) })
	rig.Faults("probe").Set(sim.FaultSettings{Silent: true})
	now := func() (v wire.Volumes) { json.Unmarshal([]byte(l.Leaves()[wire.VolumesLeaf]), &v); return v }
	minutes := func(from, to string) float64 {
		a, errA := time.Parse(wire.TimeLayout, from)
		b, errB := time.Parse(wire.TimeLayout, to)
		if err := errors.Join(errA, errB); err != nil {
			t.Fatal(err)
		}
		return b.Sub(a).Minutes()
	}
	bridgetest.Eventually(t, 30*time.Second, "five minutes on the cart's clock", func() bool { return minutes(before.TS, now().TS) > 5 })
	rig.Faults("probe").Set(sim.FaultSettings{})
	bridgetest.Eventually(t, 30*time.Second, "ten minutes on the cart's clock", func() bool { return minutes(before.TS, now().TS) > 10 })
	atReturn, newest := now(), l.Leaves()
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
		minutes(before.TS, atReturn.TS), atReturn.Seq-before.Seq, took.Seconds(), second.Session)

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

// both runs a test with each of the two brokers. s may read and command.
func both(t *testing.T, test func(t *testing.T, config func() *config.Config, o Options, s func(*Bridge) *bridgetest.Subscriber)) {
	t.Run("mosquitto", func(t *testing.T) {
		broker := bridgetest.StartMosquitto(t)
		data := t.TempDir()
		test(t, func() *config.Config { return journaltest.BareConfig(t, data, `{url: "`+broker.URL+`"}`) }, Options{Open: bridgetest.Mute},
			func(*Bridge) *bridgetest.Subscriber {
				return bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
			})
	})
	t.Run("embedded", func(t *testing.T) {
		t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
		data := t.TempDir()
		test(t, func() *config.Config {
			return journaltest.BareConfig(t, data, `{listen: "127.0.0.1:0", users: [{name: keypad, password: {env: BAYFILL_TEST_PASSWORD}, may: [read, command]}]}`)
		}, Options{Open: bridgetest.Mute},
			func(b *Bridge) *bridgetest.Subscriber {
				return bridgetest.Subscribe(t, b.BrokerURL(), "keypad", "secret", bridgetest.EveryLeaf()...)
			})
	})
}

// Whatever is sent as a command, the bridge stays connected and answers once: under the
// command's id if it is valid, otherwise under "refused".
func TestCommandsOfEveryKind(t *testing.T) {
	both(t, func(t *testing.T, config func() *config.Config, o Options, as func(*Bridge) *bridgetest.Subscriber) {
		c := config()
		b, stop := runBridgeWith(t, c, o, nil)
		s := as(b)
		birth := bridgetest.Online(t, s, "")
		const job = `"fluid":"fresh","low_c":35,"high_c":45`
		deep := strings.Repeat("[", 10000)
		cases := []struct {
			name, payload string
			reply         string // the end of the topic
			says          string // in the error; empty: done
		}{
			{"good", `{"id":"open-1","do":"open","job":"j1",` + job + `}`, "open-1", ""},
			{"repeated", `{"id":"open-1","do":"open","job":"j1",` + job + `}`, "open-1", ""},
			{"repeated in another order", `{"do":"open", "id":"open-1",` + job + `,"job":"j1"}`, "open-1", ""},
			{"its id for another command", `{"id":"open-1","do":"abandon","why":"no"}`, "open-1", "id: This id was used for another command: use a new one."},
			{"its id with another figure", `{"id":"open-1","do":"open","job":"j1","fluid":"fresh","low_c":34,"high_c":45}`, "open-1", "id: This id was used for another command"},
			{"not now", `{"id":"open-2","do":"open",` + job + `}`, "open-2", "Job j1 is still open"},
			{"longest id", `{"id":"` + strings.Repeat("x", 64) + `","do":"republish"}`, strings.Repeat("x", 64), ""},
			{"id too long", `{"id":"` + strings.Repeat("x", 65) + `","do":"republish"}`, "refused", "id: is not a text"},
			{"id of 70 kB", `{"id":"` + strings.Repeat("x", 70<<10) + `","do":"republish"}`, "refused", "at most"},
			{"id #", `{"id":"#","do":"republish"}`, "refused", "id: is not a text"},
			{"id +", `{"id":"+","do":"republish"}`, "refused", "id: is not a text"},
			{"id a/b", `{"id":"a/b","do":"republish"}`, "refused", "id: is not a text"},
			{"id with NUL", `{"id":"a\u0000b","do":"republish"}`, "refused", "id: is not a text"},
			{"raw NUL", "{\"id\":\"a\x00b\",\"do\":\"republish\"}", "refused", "not JSON at byte"},
			{"id with a line break", `{"id":"a\n","do":"republish"}`, "refused", "id: is not a text"},
			{"empty id", `{"id":"","do":"republish"}`, "refused", "id: is not a text"},
			{"no id", `{"do":"republish"}`, "refused", "id: is not a text"},
			{"id null", `{"id":null,"do":"republish"}`, "refused", "id: is not a text"},
			{"id a number", `{"id":7,"do":"republish"}`, "refused", "id: is not a text of"},
			{"unknown field", `{"id":"u1","do":"phase","phase":"draining","fase":"x"}`, "u1", "fase: not a field of phase: did you mean phase?"},
			{"unknown field, near none", `{"id":"u2","do":"close","zzzzzz":1}`, "u2", "zzzzzz: not a field of close: it has id, do"},
			{"field of another command", `{"id":"u3","do":"phase","phase":"draining","change":1}`, "u3", "change: not a field of phase"},
			{"wrong type", `{"id":"w1","do":"open","fluid":"fresh","low_c":"35","high_c":45}`, "w1", "low_c: 35 is not understood. Write an amount with its unit"},
			{"change not whole", `{"id":"w2","do":"answer","change":1.5,"as":"fluid"}`, "w2", "change: 1.5 is not a whole number"},
			{"missing field", `{"id":"m1","do":"answer","as":"fluid"}`, "m1", "change: This is missing"},
			{"field null", `{"id":"m2","do":"phase","phase":null}`, "m2", "phase: This is missing: one of draining"},
			{"unknown do", `{"id":"d1","do":"tare"}`, "d1", `do: "tare" is not one of open, phase`},
			{"no do", `{"id":"d2"}`, "d2", `do: "" is not one of`},
			{"long do", `{"id":"d3","do":"` + strings.Repeat("x", 5000) + `"}`, "d3", "do: "},
			{"too late", `{"id":"l1","do":"republish","not_after":"2020-01-01T00:00:00Z"}`, "l1", "not_after: The command came "},
			{"in time", `{"id":"l2","do":"republish","not_after":"2120-01-01T00:00:00Z"}`, "l2", ""},
			{"far from late", `{"id":"l5","do":"republish","not_after":"9999-12-31T23:59:59Z"}`, "l5", ""},
			{"time that is none", `{"id":"l3","do":"republish","not_after":"soon"}`, "l3", `not_after: "soon" is not a time, such as`},
			{"time that is a number", `{"id":"l4","do":"republish","not_after":5}`, "l4", "not_after: \"5\" is not a time"},
			{"unknown fluid", `{"id":"f1","do":"open","fluid":"milk","low_c":35,"high_c":45}`, "f1", `fluid: "milk" is no fluid of this cart. It knows fresh, used`},
			{"unknown phase", `{"id":"p1","do":"phase","phase":"lunch"}`, "p1", `phase: "lunch" is not one of`},
			{"change that is none", `{"id":"s1","do":"answer","change":9,"as":"fluid"}`, "s1", "change: No change of weight was seen"},
			{"1 MB in a field", `{"id":"b1","do":"abandon","why":"` + strings.Repeat("x", 1<<20-60) + `"}`, "b1", "at most"},
			{"2 MB in a field", `{"id":"b0","do":"abandon","why":"` + strings.Repeat("x", 2<<20) + `"}`, "refused", "at most"},
			{"1 MB of nothing", strings.Repeat("x", 1<<20), "refused", "at most"},
			{"20 kB", `{"id":"b2","do":"abandon","why":"` + strings.Repeat("x", 20<<10) + `"}`, "b2", "at most"},
			{"long text", `{"id":"b3","do":"abandon","why":"` + strings.Repeat("x", 201) + `"}`, "b3", "why: This is too long: 201 bytes"},
			{"not JSON", `tare!`, "refused", "not JSON at byte 2"},
			{"cut off", `{"id":"c1","do":"repub`, "refused", "not JSON at byte"},
			{"nothing", ``, "refused", "not JSON at byte 0"},
			{"blank", ` `, "refused", "not JSON at byte 1"},
			{"two objects", `{"id":"t1","do":"republish"}{"id":"t2","do":"republish"}`, "refused", "not JSON at byte"},
			{"an array", `[{"id":"t1","do":"republish"}]`, "refused", "a command is a JSON object"},
			{"null", `null`, "refused", "a command is a JSON object"},
			{"a string", `"republish"`, "refused", "a command is a JSON object"},
			{"deep", deep, "refused", "not JSON at byte"},
			{"deep and closed", `{"id":"n1","do":"close","by":` + deep + strings.Repeat("]", 10000) + `}`, "refused", "at most"},
			{"deep, as deep as fits", `{"id":"n2","do":"close","by":` + deep[:8000] + strings.Repeat("]", 8000) + `}`, "n2", "is not a text"},
			{"good again", `{"id":"enter-1","do":"enter","what":"spilled","l":0.1}`, "enter-1", ""},
		}
		want := map[string]int{}
		sent := map[string]bool{}
		for _, k := range cases {
			if b.broker != nil && len(k.payload) > 60<<10 {
				// The embedded broker ends the sender's connection and forwards nothing.
				sender, err := bridgetest.Client(t, b.BrokerURL(), "keypad", "secret", nil)
				if err != nil {
					t.Fatal(err)
				}
				sender.Publish(bridgetest.Topics+"commands", 1, false, k.payload)
				bridgetest.Eventually(t, 10*time.Second, "the end of who sent "+k.name, func() bool { return !sender.IsConnected() })
				continue
			}
			sent[k.name] = true
			before := want[k.reply]
			want[k.reply]++
			s.Publish(bridgetest.Topics+"commands", false, k.payload)
			var r wire.Reply
			replies := func() (all []bridgetest.Message) {
				for _, m := range s.All() {
					if m.Topic == bridgetest.Topics+"replies/"+k.reply {
						all = append(all, m)
					}
				}
				return all
			}
			bridgetest.Eventually(t, 10*time.Second, "the reply to "+k.name, func() bool { return len(replies()) > before })
			m := replies()[before]
			if err := json.Unmarshal(m.Payload, &r); err != nil {
				t.Fatalf("%s: %v in %s", k.name, err, m.Payload)
			}
			switch {
			case r.OK != (k.says == ""), !strings.Contains(r.Error, k.says):
				t.Errorf("%s: %s, want %q", k.name, m.Payload, k.says)
			case (k.reply == "refused") != (r.ID == nil), r.ID != nil && *r.ID != k.reply:
				t.Errorf("%s: the id in %s is not that of the topic", k.name, m.Payload)
			case len(m.Payload) > 1000:
				t.Errorf("%s: a reply of %d bytes", k.name, len(m.Payload))
			}
		}
		// There was no other reply, and the repeated open-1 got the same answer.
		counts := map[string]int{}
		var opened []string
		for _, m := range s.All() {
			if id, ok := strings.CutPrefix(m.Topic, bridgetest.Topics+"replies/"); ok {
				counts[id]++
				if id == "open-1" {
					opened = append(opened, string(m.Payload))
				}
			}
		}
		for id, n := range counts {
			if n != want[id] {
				t.Errorf("%d replies to %s, %d commands", n, id, want[id])
			}
		}
		if opened[1] != opened[0] || opened[2] != opened[0] {
			t.Errorf("a repeated id is answered differently: %q", opened)
		}
		bridgetest.NeverOffline(t, s, birth)
		t.Logf("%d commands", len(sent))
		stop()
		done := journaltest.InputsIn(t, c)
		if len(done) != 2 || done["open-1"] != 1 || done["enter-1"] != 1 {
			t.Errorf("done were %v, want open-1 and enter-1, once each", done)
		}
	})
}

// More commands arrive at once than the cart accepts. Each is answered once, and done exactly if
// the answer says so.
func TestCommandFlood(t *testing.T) {
	both(t, func(t *testing.T, config func() *config.Config, o Options, as func(*Bridge) *bridgetest.Subscriber) {
		c := config()
		b, stop := runBridgeWith(t, c, o, nil)
		s := as(b)
		birth := bridgetest.Online(t, s, "")
		s.Must(bridgetest.OpenJob)
		const n = 500
		for i := range n {
			s.Client.Publish(bridgetest.Topics+"commands", 1, false, fmt.Sprintf(`{"id":"f%d","do":"baseline"}`, i))
		}
		replies := func() map[string][]string {
			all := map[string][]string{}
			for _, m := range s.All() {
				if id, ok := strings.CutPrefix(m.Topic, bridgetest.Topics+"replies/f"); ok {
					all["f"+id] = append(all["f"+id], string(m.Payload))
				}
			}
			return all
		}
		for end := time.Now().Add(20 * time.Second); len(replies()) < n && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		}
		s.Must(`"do":"republish"`) // it is answered after all that came before
		ok, busy := map[string]bool{}, 0
		for id, all := range replies() {
			var r wire.Reply
			if err := json.Unmarshal([]byte(all[0]), &r); err != nil || len(all) != 1 {
				t.Errorf("%s was answered %q", id, all)
			}
			switch {
			case r.OK:
				ok[id] = true
			case strings.HasPrefix(r.Error, "busy: "):
				busy++
			default:
				t.Errorf("%s: %s", id, r.Error)
			}
		}
		if len(ok)+busy != n {
			t.Errorf("%d done and %d answered \"busy\", of %d", len(ok), busy, n)
		}
		bridgetest.NeverOffline(t, s, birth)
		t.Logf("%d done, %d busy", len(ok), busy)
		stop()
		done := journaltest.InputsIn(t, c)
		for id := range ok {
			if done[id] != 1 {
				t.Errorf("%s was answered as done and is in the journal %d times", id, done[id])
			}
		}
		if len(done) != len(ok)+1 { // and open
			t.Errorf("%d were done, %d answered as done", len(done)-1, len(ok))
		}
	})
}

// A retained command is done at most once, however often it is delivered, and not at all when it
// was retained before the bridge connected.
func TestRetainedCommand(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	c := journaltest.BareConfig(t, t.TempDir(), `{url: "`+broker.URL+`"}`)
	replied := func(id string, times int) wire.Reply {
		t.Helper()
		var r wire.Reply
		bridgetest.Eventually(t, 10*time.Second, "a reply to "+id, func() bool {
			n := 0
			for _, m := range s.All() {
				if m.Topic == bridgetest.Topics+"replies/"+id {
					n++
					if json.Unmarshal(m.Payload, &r) != nil {
						t.Fatalf("reply %s", m.Payload)
					}
				}
			}
			return n == times
		})
		return r
	}
	// Retained before the bridge starts.
	s.Publish(bridgetest.Topics+"commands", true, `{"id":"old-1",`+bridgetest.OpenJob+`}`)
	_, stop := runBridgeWith(t, c, Options{Open: bridgetest.Mute}, nil)
	first := bridgetest.Online(t, s, "")
	if r := replied("old-1", 1); r.OK || !strings.HasPrefix(r.Error, "retained: ") {
		t.Errorf("a kept command was answered %+v", r)
	}
	// The broker delivers it to a connected bridge without the retain flag.
	s.Publish(bridgetest.Topics+"commands", true, `{"id":"live-1",`+bridgetest.OpenJob+`}`)
	if r := replied("live-1", 1); !r.OK {
		t.Errorf("a live command was answered %+v", r)
	}
	for times := 2; times <= 3; times++ {
		stop()
		// The retained command comes again with each start, and once more by hand.
		_, stop = runBridgeWith(t, c, Options{Open: bridgetest.Mute}, nil)
		bridgetest.Online(t, s, first.Session)
		if r := replied("live-1", 2*times-2); !r.OK || r.Job != "job-1" {
			t.Errorf("repeated after a restart: %+v", r)
		}
		s.Publish(bridgetest.Topics+"commands", false, `{"id":"live-1",`+bridgetest.OpenJob+`}`)
		if r := replied("live-1", 2*times-1); !r.OK || r.Job != "job-1" {
			t.Errorf("repeated by hand after a restart: %+v", r)
		}
	}
	stop()
	if done := journaltest.InputsIn(t, c); len(done) != 1 || done["live-1"] != 1 {
		t.Errorf("done were %v, want live-1 once", done)
	}
}
