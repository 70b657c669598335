package bridge

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
)

// A hanging loop makes the program unhealthy, and the answer names its cart. A broker that is
// away does not.
func TestHealth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		turned := time.Now()
		m := &monitor{loops: []loop{{"cart", nil, func() time.Duration { return time.Since(turned) }}}}
		ask := func(status int, trouble string) {
			t.Helper()
			w := httptest.NewRecorder()
			m.health(w, nil)
			var answer struct {
				OK    bool
				Error string
				Carts []struct {
					Cart string
					OK   bool
				}
			}
			if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil || w.Code != status || answer.Error != trouble ||
				answer.OK != (trouble == "") || len(answer.Carts) != 1 || answer.Carts[0].Cart != "cart" || answer.Carts[0].OK != answer.OK {
				t.Errorf("%d %s %v, want %d %q", w.Code, w.Body, err, status, trouble)
			}
		}
		ask(http.StatusOK, "")
		time.Sleep(loopLate - time.Second)
		ask(http.StatusOK, "")
		time.Sleep(2 * time.Second)
		ask(http.StatusServiceUnavailable, "cart cart has not turned for 16 s: start the program again")
		turned = time.Now()
		ask(http.StatusOK, "")
	})
}

// The running program answers requests for health and metrics. Its address is free afterwards.
func TestMonitorAnswers(t *testing.T) {
	config := journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`)
	config.Monitor.Listen = bridgetest.FreePort(t)
	_, stop := runBridgeWith(t, config, Options{Open: bridgetest.Mute}, nil)
	get := func(path string) (int, string) {
		t.Helper()
		r, err := http.Get("http://" + config.Monitor.Listen + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		return r.StatusCode, string(body)
	}
	connected := func() { // the embedded broker runs, so the cart connects to it
		bridgetest.Eventually(t, 10*time.Second, "the connection", func() bool {
			_, text := get("/metrics")
			return strings.Contains(text, "\nbayfill_broker_connected{cart=\"cart\",shop=\"test\"} 1\n")
		})
	}
	connected()
	if _, text := get("/metrics"); !strings.Contains(text, "\ngo_goroutines ") || !strings.Contains(text, "\nprocess_open_fds ") {
		t.Errorf("the process is not in\n%s", text)
	}
	status, text := get("/healthz")
	var answer struct{ OK bool }
	if err := json.Unmarshal([]byte(text), &answer); err != nil || status != http.StatusOK || !answer.OK {
		t.Errorf("/healthz: %d %s %v", status, text, err)
	}
	if status, _ := get("/"); status != http.StatusNotFound {
		t.Errorf("/: %d", status)
	}
	stop()
	_, again := runBridgeWith(t, config, Options{Open: bridgetest.Mute}, nil)
	connected() // the broker's library races with a connection that begins while it closes
	again()
}

func TestMonitorConfig(t *testing.T) {
	for lines, want := range map[string]string{
		"monitor: {listen: '127.0.0.1:9464'}\n":             "",
		"monitor: {listen: '[::1]:9464'}\n":                 "",
		"monitor: {listen: ':9464', anywhere: true}\n":      "",
		"monitor: {listen: '192.0.2.1:9464'}\n":             "line 14: monitor.listen: 192.0.2.1:9464 is not a loopback address",
		"monitor: {listen: ':9464'}\n":                      "monitor.listen: :9464 is not a loopback address",
		"monitor: {listen: 'localhost:9464'}\n":             "is not a loopback address",
		"monitor: {listen: '127.0.0.1'}\n":                  "monitor.listen: address 127.0.0.1: missing port",
		"monitor: {anywhere: true}\n":                       "monitor.anywhere: has no effect without listen",
		"monitor: {listen: '127.0.0.1:9464', anywere: 1}\n": `did you mean "anywhere"?`,
	} {
		_, err := config.Parse([]byte(bridgetest.SmallConfig + lines))
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", lines, err, want)
		}
	}
	// An address in use is an error at the start, not later.
	config := journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`)
	taken := httptest.NewServer(nil)
	defer taken.Close()
	config.Monitor.Listen = taken.Listener.Addr().String()
	if _, err := New(t.Context(), config, Options{Log: bridgetest.Log()}); err == nil || !strings.HasPrefix(err.Error(), "monitor.listen: ") {
		t.Errorf("a taken address: %v", err)
	}
}
