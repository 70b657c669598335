package main

import (
	"bayfill/bridge/bridgetest"
	"context"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// get reads a page; empty when there is none.
func get(url string) string {
	response, err := http.Get(url)
	if err != nil {
		return ""
	}
	defer response.Body.Close()
	body, _ := io.ReadAll(response.Body)
	return string(body)
}

// The command serves the page before its broker is there, on this computer only.
func TestBoardCommand(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan string, 1)
	go func() {
		status, _, errors := program(ctx, "board", "--broker", "tcp://127.0.0.1:1", "--shop", "hilltop", "--listen", address)
		ended <- string(rune('0'+status)) + errors
	}()
	bridgetest.Eventually(t, 10*time.Second, "the page to say that there is no broker", func() bool { return strings.Contains(get("http://"+address+"/cart/bay2"), "NO BROKER") })
	stop()
	if got := <-ended; got != "0" {
		t.Errorf("it ended with %q", got)
	}
}

// A board that would let strangers command is refused, and says what it needs.
func TestBoardRefuses(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{"--broker", "tcp://127.0.0.1:1", "--may-command"}, exitConfig, "--username"},
		{[]string{"--broker", "tcp://127.0.0.1:1", "--may-command", "--username", "board", "--listen", "0.0.0.0:0"}, exitConfig, "--page-password-file"},
		{[]string{"--broker", "tcp://127.0.0.1:1", "--page-password-file", empty}, exitConfig, "empty"},
		{[]string{"--broker", "tcp://127.0.0.1:1", "--password-file", filepath.Join(dir, "none")}, exitConfig, "--password-file"},
		{[]string{"--broker", "tcp://127.0.0.1:1", "--shop", "Hill Top", "--listen", "127.0.0.1:0"}, exitConfig, "Hill Top"},
		{[]string{"--broker", "wss://127.0.0.1:1883/?token=a", "--listen", "127.0.0.1:0"}, exitConfig, "nothing behind ? or #"},
		{[]string{"--broker", "127.0.0.1:1883", "--listen", "127.0.0.1:0"}, exitConfig, "tcp://"},
	} {
		ctx, stop := context.WithTimeout(t.Context(), 10*time.Second)
		status, _, errors := program(ctx, append([]string{"board"}, c.args...)...)
		stop()
		if status != c.status || !strings.Contains(errors, c.says) {
			t.Errorf("%v: status %d: %s; want %d, %q", c.args, status, errors, c.status, c.says)
		}
	}
}

// While the demo runs its page shows the cart, live and with buttons.
func TestDemoBoard(t *testing.T) {
	// The embedded broker's library reads retained topics without a lock when
	// somebody subscribes by a wildcard, as a board does: the race detector sees it.
	broker := bridgetest.StartMosquitto(t).URL
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var out bridgetest.Output
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"demo", "--board", "--broker", broker}, strings.NewReader(""), &out, &out)
	}()
	page := regexp.MustCompile(`(?m)^Board at (http://127\.0\.0\.1:\d+/cart/bay2)$`)
	bridgetest.Eventually(t, 10*time.Second, "the address", func() bool { return page.MatchString(out.String()) })
	url := page.FindStringSubmatch(out.String())[1]
	bridgetest.Eventually(t, 10*time.Second, "the cart with its job", func() bool {
		text := get(url)
		return strings.Contains(text, "LIVE") && strings.Contains(text, "van, bay 2") && strings.Contains(text, `data-command="{&#34;do&#34;:&#34;phase&#34;`)
	})
	stop()
	<-ended
	if get(url) != "" {
		t.Error("the page outlives the demo")
	}
	if status, _, errors := program(t.Context(), "demo", "--board", "--json"); status == 0 || !strings.Contains(errors, "--json, --board: give only one") {
		t.Errorf("a page beside one JSON object: status %d: %s", status, errors)
	}
}
