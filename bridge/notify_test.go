package bridge

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
)

// listenAsManager opens a socket like a service manager's and returns what arrives on it.
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

// expect waits for the next message to the manager.
func expect(t *testing.T, arrived <-chan string, want string) {
	t.Helper()
	select {
	case got := <-arrived:
		if got != want {
			t.Fatalf("%s, want %s", got, want)
		}
	case <-time.After(10 * time.Second):
		t.Fatalf("%s does not arrive", want)
	}
}

// The manager is notified that the program is ready, then of the watchdog as long as the loop
// turns and only then, and at last of the stop.
func TestManagerIsNotified(t *testing.T) {
	bridgetest.Slow(t)
	name := filepath.Join(t.TempDir(), "notify")
	arrived := listenAsManager(t, name)
	t.Setenv("NOTIFY_SOCKET", name)
	t.Setenv("WATCHDOG_USEC", "1000000")
	t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	manager, err := FindManager()
	if err != nil {
		t.Fatal(err)
	}
	_, stop := runBridgeWith(t, journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`), Options{Open: bridgetest.Mute, Manager: manager}, func(*Bridge) {
		select {
		case got := <-arrived:
			t.Fatalf("%s before anything runs", got)
		case <-time.After(100 * time.Millisecond):
		}
	})
	expect(t, arrived, "READY=1")
	expect(t, arrived, "WATCHDOG=1")
	expect(t, arrived, "WATCHDOG=1")

	stop()
	last := ""
	for len(arrived) > 0 || last != "STOPPING=1" {
		select {
		case last = <-arrived:
		case <-time.After(10 * time.Second):
			t.Fatalf("the manager is not notified of the stop, the last message was %q", last)
		}
	}
}

// The program is ready only when every cart runs.
func TestNotReadyBeforeAllCartsRun(t *testing.T) {
	bridgetest.Slow(t)
	name := fmt.Sprint("@bayfill-test-", os.Getpid()) // of the abstract namespace
	arrived := listenAsManager(t, name)
	t.Setenv("WATCHDOG_USEC", "200000")
	t.Setenv("NOTIFY_SOCKET", name)
	manager, err := FindManager()
	if err != nil {
		t.Fatal(err)
	}
	var turned atomic.Int64                            // Unix nanoseconds
	turned.Store(time.Now().Add(time.Hour).UnixNano()) // as if they turned all the time
	running := func() chan struct{} { return make(chan struct{}) }
	one, two := running(), running()
	since := func() time.Duration { return time.Since(time.Unix(0, turned.Load())) }
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		manager.run(ctx, []loop{{"one", one, since}, {"two", two, since}}, bridgetest.Log())
		close(ended)
	}()
	close(one)
	select {
	case got := <-arrived:
		t.Errorf("%s with one of two carts", got)
	case <-time.After(200 * time.Millisecond):
	}
	close(two)
	expect(t, arrived, "READY=1")
	expect(t, arrived, "WATCHDOG=1")
	// Both loops must turn: while one hangs the manager gets no watchdog message.
	turned.Store(time.Now().Add(-time.Minute).UnixNano())
	time.Sleep(200 * time.Millisecond)
	for len(arrived) > 0 {
		<-arrived
	}
	time.Sleep(500 * time.Millisecond) // several turns of the watchdog
	if len(arrived) > 0 {
		t.Errorf("%s from a program whose loop hangs", <-arrived)
	}
	turned.Store(time.Now().Add(time.Hour).UnixNano())
	expect(t, arrived, "WATCHDOG=1")
	stop()
	for last := ""; last != "STOPPING=1"; {
		select {
		case last = <-arrived:
		case <-time.After(10 * time.Second):
			t.Fatalf("the manager is not notified of the stop, the last message was %q", last)
		}
	}
	<-ended
}

func TestFindManager(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	for _, c := range []struct {
		socket, us, pid string
		timeout         time.Duration
		fail            string
	}{
		{"", "1000000", "", 0, ""},
		{name, "", "", 0, ""},
		{name, "30000000", "", 30 * time.Second, ""},
		{name, "30000000", "1", 0, ""}, // meant for another process
		{name, "soon", "", 0, "WATCHDOG_USEC"},
		{name, "-1", "", 0, "WATCHDOG_USEC"},
		{name, "1000000", "soon", 0, "WATCHDOG_PID"},
	} {
		t.Setenv("NOTIFY_SOCKET", c.socket)
		t.Setenv("WATCHDOG_USEC", c.us)
		t.Setenv("WATCHDOG_PID", c.pid)
		if c.pid == "" {
			os.Unsetenv("WATCHDOG_PID")
		}
		m, err := FindManager()
		if (err == nil) != (c.fail == "") || err != nil && !strings.Contains(err.Error(), c.fail) {
			t.Errorf("%+v: %v", c, err)
		}
		if (m == nil) != (c.socket == "" || c.fail != "") || m != nil && m.timeout != c.timeout {
			t.Errorf("%+v: %+v", c, m)
		}
	}
}
