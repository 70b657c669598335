package bridgetest

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// mosquitto is a Mosquitto broker.
type mosquitto struct {
	Process
	Address string
	URL     string
}

// StartMosquitto starts a Mosquitto that accepts everybody, unless the extra lines of its
// configuration say otherwise.
func StartMosquitto(t testing.TB, extra ...string) *mosquitto {
	t.Helper()
	path := NeedProgram(t, "mosquitto")
	address := FreePort(t)
	_, port, _ := net.SplitHostPort(address)
	config := fmt.Sprintf("listener %s 127.0.0.1\nuser root\n", port)
	if !strings.Contains(strings.Join(extra, "\n"), "allow_anonymous") {
		config += "allow_anonymous true\n"
	}
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(file, []byte(config+strings.Join(extra, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{Address: address, URL: "tcp://" + address}
	m.Process = Process{T: t, Path: path, Args: []string{"-c", file}}
	m.Start()
	t.Cleanup(func() { m.Stop(syscall.SIGTERM) })
	return m
}

// Start starts the broker and waits until it listens.
func (m *mosquitto) Start() {
	m.T.Helper()
	m.Process.Start()
	Eventually(m.T, time.Minute, "mosquitto to listen", listening(m.Address))
}
