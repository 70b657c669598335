package attack

import (
	"bufio"
	"context"
	"encoding/base64"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/board"
	"bayfill/bridge/bridgetest"
)

var onBoard = []attack{
	{does: "half-sent bodies on 130 connections",
		holds: "they make room for others", try: func(t *testing.T) { halfBodies(t, "") }},
	{does: "half-sent bodies on 130 connections, without the page's password",
		holds: "they make room for others", try: func(t *testing.T) { halfBodies(t, "hoist 4") }},
	{does: "one address opens more pages than the board has connections",
		holds: "an address has a share, and the rest stays for others", by: "bridge/door.TestSeats"},
	{does: "a body that never ends",
		holds: "the connection ends after seconds", try: endlessBody},
	{does: "somebody tries page passwords as fast as possible",
		holds: "each wrong one makes the next wait, and is logged with its address", try: guessingPages},
	{does: "a page of another site presses buttons",
		holds: "it is refused", by: "bridge/board.TestPressIsGuarded"},
	{does: "names and notes that are markup or turn the direction of text",
		holds: "they are text on every page", by: "bridge/board.TestHostileText"},
}

// startBoard serves the page on a free port, and returns what it logs.
func startBoard(t *testing.T, password string) (address string, log *bridgetest.Output) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	log = new(bridgetest.Output)
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		c := board.Config{Brokers: []string{"tcp://" + bridgetest.FreePort(t)}, MayCommand: true, PagePassword: password, Log: slog.New(slog.NewTextHandler(log, nil))}
		if err := board.Run(ctx, c, listener); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { stop(); running.Wait() })
	return listener.Addr().String(), log
}

// page asks for the overview, and returns the status.
func page(t *testing.T, address, password string) int {
	t.Helper()
	c := &http.Client{Timeout: 2 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	r, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+address+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	if password != "" {
		r.SetBasicAuth("any", password)
	}
	answer, err := c.Do(r)
	if err != nil {
		t.Errorf("the page does not come: %v", err)
		return 0
	}
	answer.Body.Close()
	return answer.StatusCode
}

func halfBodies(t *testing.T, password string) {
	address, _ := startBoard(t, password)
	for range 140 {
		dial(t, address).send([]byte("POST /press/hilltop/bay2 HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{"))
	}
	if status := page(t, address, password); status != 200 {
		t.Errorf("the page answers %d", status)
	}
}

func endlessBody(t *testing.T) {
	t.Parallel()
	address, _ := startBoard(t, "")
	p := dial(t, address)
	p.send([]byte("POST /press/hilltop/bay2 HTTP/1.1\r\nHost: localhost\r\nContent-Length: 900\r\n\r\n{"))
	began := time.Now()
	dripping := time.NewTicker(500 * time.Millisecond)
	defer dripping.Stop()
	go func() { // ends with the connection
		for range dripping.C {
			if _, err := p.conn.Write([]byte(" ")); err != nil || time.Since(began) > 20*time.Second {
				return
			}
		}
	}()
	if !p.ended(10 * time.Second) {
		t.Error("the connection stays")
	}
}

func guessingPages(t *testing.T) {
	t.Parallel()
	address, log := startBoard(t, "hoist 4")
	tries := 0
	for until := time.Now().Add(time.Duration(size(1000, 5000)) * time.Millisecond); time.Now().Before(until); tries++ {
		p := dial(t, address)
		p.send(fmt.Appendf(nil, "GET / HTTP/1.1\r\nHost: localhost\r\nAuthorization: Basic %s\r\n\r\n", base64.StdEncoding.EncodeToString(fmt.Appendf(nil, "any:%d", tries))))
		if tries%20 != 0 {
			continue // without waiting for the answer
		}
		p.conn.SetReadDeadline(time.Now().Add(5 * time.Second))
		bufio.NewReader(p.conn).ReadString('\n')
	}
	line := "level=WARN msg=\"login refused\" address=127.0.0.1 failures="
	if looked := strings.Count(log.String(), line); looked == 0 || looked > 20 {
		t.Errorf("of %d passwords %d were looked at, want a few, each logged as %s", tries, looked, line)
	}
}
