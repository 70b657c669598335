package bridge

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
)

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
