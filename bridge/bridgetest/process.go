package bridgetest

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// NeedProgram returns the path of a program. Without the program the test is skipped;
// under CI=true it fails.
func NeedProgram(t testing.TB, name string) string {
	t.Helper()
	if testing.Short() {
		t.Skipf("-short: it needs %s", name)
	}
	dirs := []string{"/usr/sbin", "/usr/local/sbin"}
	if out, err := exec.Command("go", "env", "GOPATH").Output(); err == nil {
		dirs = append(dirs, filepath.Join(strings.TrimSpace(string(out)), "bin"))
	}
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	for _, dir := range dirs {
		if path, err := exec.LookPath(filepath.Join(dir, name)); err == nil {
			return path
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed: .ci/test installs it", name)
	}
	t.Skipf("%s is not installed: bash .ci/test installs it", name)
	return ""
}

// Slow skips a test under -short: it waits for real time or simulates hours.
func Slow(t testing.TB) {
	t.Helper()
	if testing.Short() {
		t.Skip("-short: it takes seconds")
	}
}

// Ports of tests are below those that the system gives to outgoing connections. Each process
// has a block of them, or another one could take a port before the test's server does.
const firstPort, blockSize, blocks = 15_000, 500, 34

// block claims a block by listening on its first port until the process ends.
var block = sync.OnceValue(func() net.Listener {
	for _, n := range rand.Perm(blocks) {
		if l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", firstPort+n*blockSize)); err == nil {
			return l
		}
	}
	return nil
})

var portsGiven atomic.Int64

// FreePort returns a loopback address on which nobody listens.
func FreePort(t testing.TB) string {
	t.Helper()
	if block() == nil {
		t.Fatal("all blocks of ports are taken")
	}
	first := block().Addr().(*net.TCPAddr).Port
	for range blockSize {
		next := first + 1 + int(portsGiven.Add(1)%(blockSize-1))
		if l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", next)); err == nil {
			l.Close()
			return l.Addr().String()
		}
	}
	t.Fatalf("all ports from %d on are taken", first)
	return ""
}

// Eventually waits for a condition of another process, and fails the test when it does
// not come true in time.
func Eventually(t testing.TB, within time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("waited %v in vain for %s", within, what)
}

// Process is a program that a test starts and ends.
type Process struct {
	T    testing.TB
	Path string
	Args []string
	Env  []string // in addition to the test's own
	Log  bytes.Buffer
	Cmd  *exec.Cmd // nil while it does not run
}

// Start starts the program.
func (p *Process) Start() {
	p.T.Helper()
	p.Cmd = exec.Command(p.Path, p.Args...)
	p.Cmd.Env = append(os.Environ(), p.Env...)
	p.Cmd.Stdout, p.Cmd.Stderr = &p.Log, &p.Log
	// The program must not outlive the test, even when the test is killed.
	p.Cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := p.Cmd.Start(); err != nil {
		p.T.Fatal(err)
	}
}

// Stop sends a signal and waits for the end.
func (p *Process) Stop(signal os.Signal) {
	if p.Cmd == nil {
		return
	}
	p.Cmd.Process.Signal(signal)
	p.Cmd.Process.Signal(syscall.SIGCONT) // a process that a test has stopped takes no other signal
	p.Cmd.Wait()
	p.Cmd = nil
}

func listening(address string) func() bool {
	return func() bool {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		c.Close()
		return true
	}
}
