package board

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// startBroker runs a broker that allows everything, until stop is called or the test ends.
func startBroker(t testing.TB, address string) (stop func()) {
	t.Helper()
	_, stop = bridgetest.StartBroker(t, address, new(bridgetest.Everybody), nil)
	return stop
}

// peer is a plain MQTT client.
type peer struct {
	t      testing.TB
	client mqtt.Client
}

func connect(t testing.TB, address string, options func(*mqtt.ClientOptions)) *peer {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID(fmt.Sprintf("test-%d", time.Now().UnixNano()))
	o.SetProtocolVersion(4).SetAutoReconnect(false)
	if options != nil {
		options(o)
	}
	p := &peer{t, mqtt.NewClient(o)}
	if token := p.client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("connecting to %s: %v", address, token.Error())
	}
	t.Cleanup(func() { p.client.Disconnect(20) })
	return p
}

func (p *peer) publish(topic string, retained bool, payload string) {
	p.t.Helper()
	if token := p.client.Publish(topic, 1, retained, payload); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		p.t.Fatalf("publishing to %s: %v", topic, token.Error())
	}
}

// say publishes a leaf of the test cart in the way of a cart.
func (p *peer) say(leaf, payload string) {
	p.t.Helper()
	p.publish("bayfill/hilltop/bay2/"+leaf, true, payload)
}

// runBoard runs a board until the test ends and returns the address of its page.
func runBoard(t testing.TB, config Config) (url string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- Run(ctx, config, listener) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Errorf("board: %v", err)
		}
	})
	return "http://" + listener.Addr().String()
}

// browser reads a page's events as a browser does, without drawing it.
type browser struct {
	mu     sync.Mutex
	pieces map[string]string
	came   map[string]int // how often each
	events int
}

func follow(t testing.TB, url string) *browser {
	t.Helper()
	b := &browser{pieces: map[string]string{}, came: map[string]int{}}
	ctx, stop := context.WithCancel(context.Background())
	request, err := http.NewRequestWithContext(ctx, "GET", url, nil)
	if err != nil {
		t.Fatal(err)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	if got := response.Header.Get("Content-Type"); response.StatusCode != 200 || got != "text/event-stream" {
		t.Fatalf("%s: status %d, %s", url, response.StatusCode, got)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer response.Body.Close()
		decoder := eventReader(response.Body)
		for {
			u, err := decoder()
			if err != nil {
				return
			}
			b.mu.Lock()
			for id, html := range u.Pieces {
				b.pieces[id] = html
				b.came[id]++
			}
			b.events++
			b.mu.Unlock()
		}
	}()
	t.Cleanup(func() { stop(); <-done })
	return b
}

// eventReader reads server-sent events.
func eventReader(r io.Reader) func() (update, error) {
	var held []byte
	chunk := make([]byte, 64<<10)
	return func() (u update, err error) {
		for {
			if event, rest, whole := strings.Cut(string(held), "\n\n"); whole {
				held = []byte(rest)
				return u, json.Unmarshal([]byte(strings.TrimPrefix(event, "data: ")), &u)
			}
			n, err := r.Read(chunk)
			held = append(held, chunk[:n]...)
			if err != nil {
				return u, err
			}
		}
	}
}

// shows reports whether a piece contains a text.
func (b *browser) shows(piece, text string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.Contains(b.pieces[piece], text)
}

func (b *browser) piece(name string) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.pieces[name]
}

// Messages of a cart, with the figures that these tests need.

// online is the presence of a cart for the length of a test.
func online(session string, at time.Time) string { return beatAt(session, at, time.Hour) }

func beatAt(session string, at time.Time, every time.Duration) string {
	since := "2026-11-25T09:00:00.000Z"
	return string(wire.Encode(wire.Presence{Online: true, TS: at.UTC().Format(wire.TimeLayout), EveryS: every.Seconds(),
		Since: &since, Session: session, Version: "0.1", Contract: wire.ContractVersion}))
}

func offline(session, why string) string {
	return fmt.Sprintf(`{"online":false,"since":null,"session":%q,"version":"0.1","contract":1,"why":%q}`, session, why)
}

func volumes(phase string, drainedL, addedL, remainingL float64) string {
	return fmt.Sprintf(`{"ts":"2026-11-25T09:10:00.000Z","seq":7,"job":"van-7","phase":%q,"quality":"good","quality_code":"good","drained_l":%.3f,"drained_u_l":0.016,
		"added_l":%.3f,"added_u_l":0.015,"balance_l":0,"balance_u_l":0.02,"undecided_l":0,"drained_l_min":0,"added_l_min":0,
		"remaining_l":%.3f,"drained_kg":3,"added_kg":2,"reference_c":20,"caddy_free_l":5}`, phase, drainedL, addedL, remainingL)
}

func windowAt(state string, celsius float64, opens, closes string) string {
	return windowForecast(state, celsius, opens, "null", closes, "null")
}

func windowForecast(state string, celsius float64, opens, opensU, closes, closesU string) string {
	return fmt.Sprintf(`{"ts":"2026-11-25T09:10:00.000Z","state":%q,"temp_c":%.1f,"low_c":35,"high_c":45,"rate_c_min":2.1,"opens_in_s":%s,"opens_in_u_s":%s,"closes_in_s":%s,"closes_in_u_s":%s,"quality":"good","source":"fluid"}`,
		state, celsius, opens, opensU, closes, closesU)
}

// sheet is the part of the leaf job that comes from the service data.
const sheet = `,"service_data":{"name":"van6-overflow","asked_fluid":"amber 6","typical_l":3.97,"total_l":8.6,"first_fill":0.8,"bottle_l":0.946,"check":"overflow","low_c":35,"high_c":45,"between_marks_l":null,"bolt_torque_nm":10.96}`

func job(phase, next, rest string) string {
	return fmt.Sprintf(`{"ts":"2026-11-25T09:10:00.000Z","job":"van-7","vehicle":"Courier van, 6-speed","phase":%q,
		"flow":{"next":%s},"plan":{"target_l":4.19,"target_u_l":0.02,"first_fill_l":3.35,"remaining_l":1.2,"remaining_u_l":0.02,"notes":[]},
		"changes":[],"questions":[],"clear_weighings":[],"cautions":[{"text":"Fluid may be hot enough to burn: gloves, sleeves, eye protection."},{"text":"Support the pan: it comes down full."},{"text":"Vehicle supported and chocked."},{"text":"The vehicle maker's service data and local codes come first."}]%s}`,
		phase, next, rest)
}

// serve runs a board without a broker, for tests of its page alone.
func serve(t testing.TB, config Config) (*Board, *httptest.Server) {
	t.Helper()
	b := newBoard(config)
	server := httptest.NewUnstartedServer(b.handler())
	ctx, stop := context.WithCancel(context.Background())
	server.Config.BaseContext = func(net.Listener) context.Context { return ctx }
	server.Start()
	t.Cleanup(func() {
		// Open pages never end by themselves, and a page connects again while the server closes.
		stop()
		server.Close()
	})
	return b, server
}

func testContext(t testing.TB) (context.Context, context.CancelFunc) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	return ctx, stop
}
