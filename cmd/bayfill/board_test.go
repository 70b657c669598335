package main

import (
	"context"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

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
	var page string
	for end := time.Now().Add(10 * time.Second); !strings.Contains(page, "NO BROKER") && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if response, err := http.Get("http://" + address + "/cart/bay2"); err == nil {
			body, _ := io.ReadAll(response.Body)
			response.Body.Close()
			page = string(body)
		}
	}
	if !strings.Contains(page, "NO BROKER") {
		t.Errorf("the page does not say that there is no broker: %s", page)
	}
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
