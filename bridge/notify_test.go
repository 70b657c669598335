package bridge

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// listenAsManager gives a socket on which a service manager would listen, and what
// arrives there.
func listenAsManager(t *testing.T, name string) (arrived <-chan string) {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	messages := make(chan string, 1000)
	var reader sync.WaitGroup
	reader.Go(func() {
		buf := make([]byte, 100)
		for {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			messages <- string(buf[:n])
		}
	})
	t.Cleanup(func() { conn.Close(); reader.Wait() })
	return messages
}

// expect waits for what the manager is to hear next.
func expect(t *testing.T, arrived <-chan string, want string) {
	t.Helper()
	select {
	case got := <-arrived:
		if got != want {
			t.Fatalf("%s, want %s", got, want)
		}
	case <-time.After(10 * time.Second):
		t.Fatalf("%s does not come", want)
	}
}

// The manager hears that the program is ready, then of life while the loop turns
// and only then, at last of the stop.
func TestManagerIsTold(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	arrived := listenAsManager(t, name)
	t.Setenv("NOTIFY_SOCKET", name)
	t.Setenv("WATCHDOG_USEC", "1000000")
	t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	manager, err := FindManager()
	if err != nil {
		t.Fatal(err)
	}
	var c *cart
	_, stop := runBridgeWith(t, bareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`), Options{Open: mute, Manager: manager}, func(b *Bridge) {
		c = b.carts[0]
		select {
		case got := <-arrived:
			t.Fatalf("%s before anything runs", got)
		case <-time.After(100 * time.Millisecond):
		}
	})
	expect(t, arrived, "READY=1")
	expect(t, arrived, "WATCHDOG=1")
	expect(t, arrived, "WATCHDOG=1")

	// The loop cannot go on: it has something to say, and the link is held.
	c.link.mu.Lock()
	c.inbox <- happening{alert: "test", text: "held up"}
	eventually(t, 10*time.Second, "a loop that is late", func() bool { return c.sinceTurn() > time.Second })
	for len(arrived) > 0 {
		<-arrived
	}
	time.Sleep(1200 * time.Millisecond) // two turns of the watchdog
	if len(arrived) > 0 {
		t.Errorf("%s from a program whose loop hangs", <-arrived)
	}
	c.link.mu.Unlock()
	expect(t, arrived, "WATCHDOG=1")

	stop()
	last := ""
	for len(arrived) > 0 || last != "STOPPING=1" {
		select {
		case last = <-arrived:
		case <-time.After(10 * time.Second):
			t.Fatalf("the stop is not told, the last was %q", last)
		}
	}
}

// Every cart counts: one that does not run keeps all from being ready.
func TestNotReadyBeforeAllCartsRun(t *testing.T) {
	name := fmt.Sprint("@bayfill-test-", os.Getpid()) // of the abstract namespace
	arrived := listenAsManager(t, name)
	t.Setenv("NOTIFY_SOCKET", name)
	manager, err := FindManager()
	if err != nil {
		t.Fatal(err)
	}
	one, two := &cart{running: make(chan struct{})}, &cart{running: make(chan struct{})}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { manager.run(ctx, []*cart{one, two}, testLog()); close(ended) }()
	close(one.running)
	select {
	case got := <-arrived:
		t.Errorf("%s with one of two carts", got)
	case <-time.After(200 * time.Millisecond):
	}
	close(two.running)
	expect(t, arrived, "READY=1")
	stop()
	expect(t, arrived, "STOPPING=1")
	<-ended
}

func TestFindManager(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	listenAsManager(t, name)
	for _, c := range []struct {
		socket, us, pid string
		within          time.Duration
		fail            string
	}{
		{"", "1000000", "", 0, ""},
		{name, "", "", 0, ""},
		{name, "30000000", "", 30 * time.Second, ""},
		{name, "30000000", "1", 0, ""}, // meant for another process
		{name, "soon", "", 0, `WATCHDOG_USEC: "soon"`},
		{name, "-1", "", 0, `WATCHDOG_USEC: "-1"`},
		{name + "x", "", "", 0, "NOTIFY_SOCKET: "},
	} {
		t.Setenv("NOTIFY_SOCKET", c.socket)
		t.Setenv("WATCHDOG_USEC", c.us)
		t.Setenv("WATCHDOG_PID", c.pid)
		if c.pid == "" {
			os.Unsetenv("WATCHDOG_PID")
		}
		m, err := FindManager()
		if (err == nil) != (c.fail == "") || err != nil && !strings.HasPrefix(err.Error(), c.fail) {
			t.Errorf("%+v: %v", c, err)
		}
		if (m == nil) != (c.socket == "" || c.fail != "") || m != nil && m.within != c.within {
			t.Errorf("%+v: %+v", c, m)
		}
		if m != nil {
			m.conn.Close()
		}
	}
}
