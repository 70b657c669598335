package audit

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/config"
)

// These tests use a real InfluxDB on a free loopback port.

// needProgram finds a program. Without it the test is skipped, or fails when CI=true.
func needProgram(t testing.TB, name string) string {
	t.Helper()
	dirs := []string{"", "/usr/sbin/", "/usr/local/sbin/"}
	if out, err := exec.Command("go", "env", "GOPATH").Output(); err == nil {
		dirs = append(dirs, strings.TrimSpace(string(out))+"/bin/")
	}
	for _, dir := range dirs {
		if path, err := exec.LookPath(dir + name); err == nil {
			return path
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed: .ci/test installs it", name)
	}
	t.Skipf("%s is not installed: bash .ci/test installs it", name)
	return ""
}

func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// influx is a running InfluxDB 1.8 with the version 2 API and Flux. It stops at the end
// of the test.
type influx struct{ url string }

func startInflux(t testing.TB) *influx {
	t.Helper()
	path := needProgram(t, "influxd")
	address, backup := freePort(t), freePort(t)
	dir := t.TempDir()
	config := fmt.Sprintf(`reporting-disabled = true
bind-address = %q
[meta]
  dir = %q
[data]
  dir = %q
  wal-dir = %q
  index-version = "tsi1"
[http]
  bind-address = %q
  flux-enabled = true
  log-enabled = false
[monitor]
  store-enabled = false
`, backup, dir+"/meta", dir+"/data", dir+"/wal", address)
	file := filepath.Join(dir, "influxd.toml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "-config", file)
	// The server stops even when the test is killed.
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Signal(syscall.SIGTERM)
		cmd.Wait()
	})
	i := &influx{"http://" + address}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if r, err := http.Get(i.url + "/ping"); err == nil {
			r.Body.Close()
			break
		} else if time.Now().After(end) {
			t.Fatalf("influxd does not answer: %v", err)
		}
	}
	i.post(t, "/query", "application/x-www-form-urlencoded", "q=CREATE+DATABASE+bayfill")
	return i
}

// write sends lines of line protocol.
func (i *influx) write(t testing.TB, lines string) {
	t.Helper()
	i.post(t, "/api/v2/write?bucket=bayfill/autogen&precision=ns", "text/plain", lines)
}

func (i *influx) post(t testing.TB, path, kind, body string) {
	t.Helper()
	r, err := http.Post(i.url+path, kind, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if answer, _ := io.ReadAll(r.Body); r.StatusCode >= 300 || bytes.Contains(answer, []byte("error")) {
		t.Fatalf("%s: %s: %s", path, r.Status, answer)
	}
}

// store opens the history on that server.
func (i *influx) store(t testing.TB) *Store {
	t.Helper()
	s, err := OpenStore(config.History{URL: i.url, Bucket: "bayfill/autogen"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}
