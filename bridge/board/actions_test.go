package board

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
	"bayfill/bridge/wire/schema/schematest"
)

// Each phase has its buttons, which send these commands.
func TestButtons(t *testing.T) {
	at, err := time.Parse(time.RFC3339, "2026-11-25T09:08:00.000Z")
	if err != nil {
		t.Fatal(err)
	}
	toFilling := `Next (alone: nothing else on the scales): [why=]? Containers alone: to filling {"do":"phase","phase":"filling"} with why main, Back to draining {"do":"phase","phase":"draining"} with why`
	toRunning := `Next (alone: nothing else on the scales): [why=]? Engine runs {"do":"phase","phase":"running"} with why main, Caddy alone: back to service {"do":"phase","phase":"service"} with why`
	toService := `[why=]? Caddy alone: to service {"do":"phase","phase":"service"} with why main`
	asked := `,"questions":[{"change":3,"at":"2026-11-25T09:08:00.000Z","sensor":"caddy","kg":1.23,"l":1.43,"text":"What?","answers":["fluid","gone","thing","container"]},` +
		`{"change":4,"at":"2026-11-25T09:09:00.000Z","sensor":"caddy","kg":-0.4,"l":-0.5,"text":"What?","answers":["gone","thing","container"]}]`
	answer := func(change int, at, as string) string {
		return fmt.Sprintf(`{"do":"answer","change":%d,"change_at":"2026-11-25T%s.000Z","as":"%s"}`, change, at, as)
	}
	for _, c := range []struct{ phase, next, rest, role, want string }{
		{"ready", `[]`, "", "supply", `Next: [why=]? Start draining {"do":"phase","phase":"draining"} with why main`},
		{"draining", `[]`, "", "supply", `Next (alone: nothing else on the scales): ` + toService + `, Containers alone: straight to filling {"do":"phase","phase":"filling"} with why`},
		{"draining", `[]`, "", "caddy+supply", `Next (alone: nothing else on the scales): [why=]? Containers alone: to service {"do":"phase","phase":"service"} with why main, ` +
			`Containers alone: straight to filling {"do":"phase","phase":"filling"} with why`},
		{"draining", `[]`, asked, "supply",
			`What was this? +1.23 kg on caddy at ` + at.Local().Format("15:04:05") + ` (1 more to come): ` +
				`Fluid, 1.43 L ` + answer(3, "09:08:00", "fluid") + `, Gone again ` + answer(3, "09:08:00", "gone") + `, ` +
				`Lies there ` + answer(3, "09:08:00", "thing") + `, Container ` + answer(3, "09:08:00", "container") + `; Next: ` + toService},
		{"filling", `[]`, `,"questions":[{"change":4,"at":"2026-11-25T09:08:00.000Z","sensor":"supply","kg":-0.95,"l":-1.1,"text":"What?","answers":["fluid","gone","thing","container","bottle"]}]`, "supply",
			`What was this? −0.95 kg on supply at ` + at.Local().Format("15:04:05") + `: ` +
				`Fluid, 1.10 L ` + answer(4, "09:08:00", "fluid") + `, Came and went ` + answer(4, "09:08:00", "gone") + `, ` +
				`Lay there ` + answer(4, "09:08:00", "thing") + `, Container ` + answer(4, "09:08:00", "container") + `, ` +
				`Bottle, thrown away ` + answer(4, "09:08:00", "bottle") + `; ` +
				`Next: [why=]? Engine runs {"do":"phase","phase":"running"} with why main`},
		{"service", `[]`, `,"changes":[{"change":1,"at":"2026-11-25T09:01:00.000Z","sensor":"scale","kg":0.3,"l":0.3,"as":"gone","by":"signal","first":1,"last":2},` +
			`{"change":2,"at":"2026-11-25T09:08:00.000Z","sensor":"scale","kg":-0.3,"l":-0.3,"as":"gone","by":"signal","first":1,"last":2},` +
			`{"change":3,"at":"2026-11-25T09:09:00.000Z","sensor":"scale","kg":0.5,"l":0.6}]`, "caddy",
			`Next (alone: nothing else on the scales): [why=]? Caddy alone: to filling {"do":"phase","phase":"filling"} with why main, Back to draining {"do":"phase","phase":"draining"} with why; ` +
				`+0.50 kg on scale at ` + at.Add(time.Minute).Local().Format("15:04:05") + `: not known yet: ` +
				`Fluid ` + answer(3, "09:09:00", "fluid") + `, Gone again ` + answer(3, "09:09:00", "gone") + `, ` +
				`Lies there ` + answer(3, "09:09:00", "thing") + `, Container ` + answer(3, "09:09:00", "container") + `; ` +
				`−0.30 kg on scale at ` + at.Local().Format("15:04:05") + `: Came and went: ` +
				`Lay there ` + answer(2, "09:08:00", "thing") + `, Container ` + answer(2, "09:08:00", "container")},
		{"service", `[{"text":"Record: bolt torque.","do":"record","item":"torque"},{"text":"Record: magnet cleaned.","do":"record","item":"magnet"}]`, "", "supply",
			`Record: bolt torque.: [applied=] Done {"do":"record","item":"torque","result":"done"} with applied, Not needed {"do":"record","item":"torque","result":"not_needed"}, ` +
				`Not done {"do":"record","item":"torque","result":"not_done"}; ` + toFilling},
		{"service", `[{"text":"Record: bolt torque.","do":"record","item":"torque"}]`, sheet, "supply",
			`Record: bolt torque.: [applied=10.96 N m] Done {"do":"record","item":"torque","result":"done","specified":"10.96 N m"} with applied, ` +
				`Not needed {"do":"record","item":"torque","result":"not_needed"}, Not done {"do":"record","item":"torque","result":"not_done"}; ` + toFilling},
		{"service", `[{"text":"Record: magnet cleaned.","do":"record","item":"magnet"}]`, "", "supply",
			`Record: magnet cleaned.: Done {"do":"record","item":"magnet","result":"done"}, Not needed {"do":"record","item":"magnet","result":"not_needed"}, ` +
				`Not done {"do":"record","item":"magnet","result":"not_done"}; ` +
				toFilling},
		{"filling", `[]`, `,"service_data":{"bottle_l":0.946}`, "caddy",
			`One more bottle: + 0.95 L {"do":"enter","what":"bottle","l":0.946,"share":1}; ` +
				toRunning},
		{"filling", `[]`, "", "supply", toRunning},
		{"running", `[]`, "", "supply",
			`Gear in hand: P {"do":"gear","gear":"P"}, R {"do":"gear","gear":"R"}, N {"do":"gear","gear":"N"}, D {"do":"gear","gear":"D"}; ` +
				`Next (alone: nothing else on the scales): [why=]? Check the level {"do":"phase","phase":"checking"} with why main, Containers alone: back to filling {"do":"phase","phase":"filling"} with why`},
		{"checking", `[{"text":"Judge the level now.","do":"record","item":"level"}]`, "", "caddy+supply",
			`The level is: Right {"do":"record","item":"level","result":"right"}, Low {"do":"record","item":"level","result":"low"}, High {"do":"record","item":"level","result":"high"}; ` +
				`Dipstick, between the marks: 0 {"do":"enter","what":"dipstick","share":0}, ¼ {"do":"enter","what":"dipstick","share":0.25}, ½ {"do":"enter","what":"dipstick","share":0.5}, ` +
				`¾ {"do":"enter","what":"dipstick","share":0.75}, 1 {"do":"enter","what":"dipstick","share":1}; ` +
				`Next (alone: nothing else on the scales): [why=]? Containers alone: weigh {"do":"clear"} main, All weighed: close the job {"do":"close"} with why twice, ` +
				`Containers alone: back to filling {"do":"phase","phase":"filling"} with why`},
		{"checking", `[]`, sheet + `,"phase_at":"2026-11-25T09:00:00.000Z","clear_weighings":[{"sensor":"scale","at":"2026-11-25T09:08:00.000Z","live_kg":3,"settled_kg":null}]`, "supply",
			`Next (alone: nothing else on the scales): [why=]? All weighed: close the job {"do":"close"} with why main twice, Containers alone: back to filling {"do":"phase","phase":"filling"} with why`},
		{"closed", `[]`, `,"fluid":"amber 6"` + sheet, "supply",
			`Open a job: [vehicle=] [service_data= or van6-overflow] [fluid= or amber 6, ruby] [low_c=] [high_c=] ` +
				`Open {"do":"open"} with vehicle service_data fluid low_c high_c main`},
		{"resting", `[]`, "", "supply", ``},
		// Without a weight there is none in words.
		{"draining", `[]`, `,"questions":[{"change":3,"at":"2026-11-25T09:08:00.000Z","sensor":"caddy","kg":null,"l":null,"text":"What?","answers":["gone"]}]`, "supply",
			`What was this? – on caddy at ` + at.Local().Format("15:04:05") + `: Gone again ` + answer(3, "09:08:00", "gone") + `; Next: ` + toService},
	} {
		h := liveHub(t)
		h.receive(bay2+"about", []byte(`{"sensors":[{"name":"scale","role":"`+c.role+`"}],"measured_fluids":[{"name":"ruby"}]}`), true, noon)
		h.receive(bay2+"volumes", []byte(volumes(c.phase, 4, 3, 1)), false, noon)
		h.receive(bay2+"job", []byte(job(c.phase, c.next, c.rest)), false, noon)
		var got []string
		v := look(h, 0)
		for _, g := range slices.Concat(v.Groups, v.Changes) {
			entries := ""
			for _, e := range g.Entries {
				entries += "[" + e.Name + "=" + e.Value
				if e.Choices != nil {
					entries += " or " + strings.Join(e.Choices, ", ")
				}
				entries += map[bool]string{true: "]? ", false: "] "}[e.Refused]
			}
			var buttons []string
			for _, b := range g.Buttons {
				text := strings.TrimLeft(b.Means+" "+b.Label+" "+b.Command, " ")
				if b.With != "" {
					text += " with " + b.With
				}
				if b.Main {
					text += " main"
				}
				if b.Twice {
					text += " twice"
				}
				buttons = append(buttons, text)
				if _, err := wire.ParsePress([]byte(b.Command)); err != nil && b.With == "" { // with entries it is whole only once they are typed
					t.Errorf("%s: a button that the board itself refuses: %v", b.Label, err)
				}
			}
			got = append(got, g.Title+": "+entries+strings.Join(buttons, ", "))
		}
		if text := strings.Join(got, "; "); text != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.phase, text, c.want)
		}
	}
}

// With a key a command is signed for its cart, and repeated unchanged.
func TestPressIsSigned(t *testing.T) {
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	signer := wire.NewSigner([]byte("a key of this test, long enough"))
	b, _ := serve(t, Config{Broker: "tcp://" + broker, Shop: "hilltop", MayCommand: true, Signer: signer})
	b.client.replyWithin = 200 * time.Millisecond
	ctx, stop := testContext(t)
	done := make(chan struct{})
	go func() { defer close(done); b.client.run(ctx) }()
	defer func() { stop(); <-done }()
	heard := make(chan []byte, 10)
	if !connect(t, broker, nil).client.Subscribe(bay2+"commands", 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m.Payload() }).WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	bridgetest.Eventually(t, 10*time.Second, "the connection", func() bool {
		b.client.mu.Lock()
		defer b.client.mu.Unlock()
		return b.client.conn != nil
	})
	b.client.command(ctx, "hilltop", "bay2", map[string]json.RawMessage{"do": json.RawMessage(`"close"`)})
	var m struct {
		Signed, MAC string
		Counter     uint64
	}
	first := <-heard
	if err := json.Unmarshal(first, &m); err != nil {
		t.Fatal(err)
	}
	// The MAC as the contract describes it, written again here.
	mac := hmac.New(sha256.New, []byte("a key of this test, long enough"))
	fmt.Fprintf(mac, "bayfill/hilltop/bay2/commands\n%d\n%s", m.Counter, m.Signed)
	if err := schematest.Validate("commands", first); err != nil || m.MAC != hex.EncodeToString(mac.Sum(nil)) || !strings.Contains(m.Signed, `"do":"close"`) {
		t.Errorf("a press sent %s: %v", first, err)
	}
	for range sendTimes - 1 {
		if again := <-heard; !bytes.Equal(again, first) {
			t.Errorf("it was sent again as %s, was %s", again, first)
		}
	}
}

// A press becomes one command under a new id. The cart's answer is shown, and silence is
// shown too. A command without an answer is sent again under the same id.
func TestPressAndReply(t *testing.T) {
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	b, server := serve(t, Config{Broker: "tcp://" + broker, Shop: "hilltop", MayCommand: true})
	b.client.replyWithin = 200 * time.Millisecond
	ctx, stop := testContext(t)
	done := make(chan struct{})
	go func() { defer close(done); b.client.run(ctx) }()
	defer func() { stop(); <-done }()

	cart := connect(t, broker, nil)
	var mu sync.Mutex
	var heard []map[string]any
	answer := `{"id":%q,"ok":true,"job":"van-7"}`
	token := cart.client.Subscribe(bay2+"commands", 1, func(_ mqtt.Client, m mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		var c map[string]any
		if err := json.Unmarshal(m.Payload(), &c); err != nil {
			t.Errorf("%v in %s", err, m.Payload())
		}
		heard = append(heard, c)
		if answer != "" {
			cart.client.Publish(bay2+"replies/"+c["id"].(string), 1, false, fmt.Sprintf(answer, c["id"]))
		}
	})
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no subscription")
	}
	bridgetest.Eventually(t, 10*time.Second, "the connection", func() bool {
		b.client.mu.Lock()
		defer b.client.mu.Unlock()
		return b.client.conn != nil
	})
	press := func() string {
		status, _, body := send(t, "POST", server.URL+"/press/bay2", `{"do":"enter","what":"dipstick","share":0}`,
			map[string]string{"X-Board-Token": b.token, "Content-Type": "application/json"})
		if status != 200 {
			t.Fatalf("status %d: %s", status, body)
		}
		return body
	}
	if got := press(); !strings.Contains(got, `{"ok":true,"text":"done"}`) {
		t.Errorf("done: %s", got)
	}
	mu.Lock()
	answer = `{"id":%q,"ok":false,"error":"share: is not from here"}`
	mu.Unlock()
	if got := press(); !strings.Contains(got, `"ok":false`) || !strings.Contains(got, "refused: share: is not from here") {
		t.Errorf("refused: %s", got)
	}
	mu.Lock()
	if len(heard) != 2 || heard[0]["id"] == heard[1]["id"] || heard[0]["share"] != 0.0 || heard[0]["do"] != "enter" || heard[0]["by"] != "board" {
		t.Errorf("two presses sent %v", heard)
	}
	answer, heard = "", nil
	mu.Unlock()
	if got := press(); !strings.Contains(got, "no answer") {
		t.Errorf("silence: %s", got)
	}
	mu.Lock()
	defer mu.Unlock()
	if len(heard) != sendTimes || heard[0]["id"] != heard[1]["id"] {
		t.Errorf("a press without an answer sent %v", heard)
	}
}
