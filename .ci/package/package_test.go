// Package packagetest installs the Debian package into a throwaway root and treats it as a
// shop would: start, upgrade, remove, purge.
package packagetest

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"
)

// dist is the folder that .ci/release filled.
func dist(t *testing.T) string {
	t.Helper()
	folder := os.Getenv("BAYFILL_DIST")
	if folder == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("BAYFILL_DIST names no folder with packages: run .ci/release first")
		}
		t.Skip("BAYFILL_DIST names no folder with packages: run .ci/release first")
	}
	return folder
}

// installed is a root with its own package database.
type installed struct {
	t    *testing.T
	root string
}

func newRoot(t *testing.T) installed {
	i := installed{t, t.TempDir()}
	for _, folder := range []string{"var/lib/dpkg/info", "var/lib/dpkg/updates", "etc", "tmp"} {
		if err := os.MkdirAll(i.path(folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	i.write("var/lib/dpkg/status", "")
	i.write("etc/passwd", "root:x:0:0:root:/root:/bin/sh\n")
	i.write("etc/group", "root:x:0:\ndialout:x:20:\n")
	return i
}

func (i installed) path(name string) string { return filepath.Join(i.root, name) }

func (i installed) write(name, text string) {
	i.t.Helper()
	if err := os.WriteFile(i.path(name), []byte(text), 0o644); err != nil {
		i.t.Fatal(err)
	}
}

func (i installed) read(name string) string {
	i.t.Helper()
	text, err := os.ReadFile(i.path(name))
	if err != nil {
		i.t.Fatal(err)
	}
	return string(text)
}

func (i installed) has(name string) bool {
	_, err := os.Lstat(i.path(name))
	return err == nil
}

// dpkg runs the package manager on the root. The maintainer scripts run outside of it and
// find it by DPKG_ROOT, because it holds no shell.
func (i installed) dpkg(args ...string) string {
	i.t.Helper()
	cmd := exec.Command("dpkg", append([]string{"--root=" + i.root, "--force-script-chrootless", "--force-depends"}, args...)...)
	cmd.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive", "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	out, err := cmd.CombinedOutput()
	if err != nil {
		i.t.Fatalf("dpkg %q: %v\n%s", args, err, out)
	}
	return string(out)
}

// TestPackage installs, starts as the unit would, upgrades, removes and purges.
func TestPackage(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root may install a package")
	}
	found, err := filepath.Glob(filepath.Join(dist(t), "bayfill_*_"+runtime.GOARCH+".deb"))
	if err != nil || len(found) != 1 {
		t.Fatalf("packages for %s: %q, %v", runtime.GOARCH, found, err)
	}
	i := newRoot(t)
	i.dpkg("--install", found[0])
	password := i.read("etc/bayfill/board.password")
	if !regexp.MustCompile(`^[0-9a-f]{32}$`).MatchString(password) {
		t.Errorf("the page's password is %q", password)
	}
	for name, want := range map[string]os.FileMode{"etc/bayfill": os.ModeDir | 0o750, "etc/bayfill/bayfill.yaml": 0o640, "etc/bayfill/board.password": 0o640, "usr/bin/bayfill": 0o755} {
		if s, err := os.Stat(i.path(name)); err != nil || s.Mode() != want {
			t.Errorf("%s has mode %v, want %v (%v)", name, s.Mode(), want, err)
		}
	}
	if !strings.Contains(i.read("etc/passwd"), "bayfill:") {
		t.Error("there is no user bayfill")
	}

	// One file is edited, as its first line asks.
	edited := strings.NewReplacer("shop: workshop", "shop: hilltop", "127.0.0.1:1883", freeAddress(t),
		"/var/lib/bayfill", i.path("var/lib/bayfill"), "/etc/bayfill", i.path("etc/bayfill")).Replace(i.read("etc/bayfill/bayfill.yaml"))
	i.write("etc/bayfill/bayfill.yaml", edited)
	i.starts()

	i.dpkg("--install", newer(t, found[0]))
	if i.read("etc/bayfill/bayfill.yaml") != edited || i.read("etc/bayfill/board.password") != password {
		t.Error("the upgrade did not keep the settings")
	}
	if status := i.dpkg("--status", "bayfill"); !strings.Contains(status, "+newer\n") {
		t.Errorf("after the upgrade: %s", status)
	}
	i.dpkg("--remove", "bayfill")
	if i.has("usr/bin/bayfill") || !i.has("etc/bayfill/bayfill.yaml") {
		t.Error("removing must take the program and leave the settings")
	}
	out := i.dpkg("--purge", "bayfill")
	if i.has("etc/bayfill/bayfill.yaml") || i.has("etc/bayfill/board.password") {
		t.Error("purging must take the settings")
	}
	if journals, _ := filepath.Glob(i.path("var/lib/bayfill/*")); len(journals) == 0 || !strings.Contains(out, "journals stay") {
		t.Errorf("purging must leave the journals and say so: %q, %s", journals, out)
	}
}

// starts runs the unit's command until it says that it is ready, and stops it.
func (i installed) starts() {
	t := i.t
	t.Helper()
	if err := os.MkdirAll(i.path("var/lib/bayfill"), 0o750); err != nil {
		t.Fatal(err)
	}
	command := regexp.MustCompile(`(?m)^ExecStart=(.*)$`).FindStringSubmatch(i.read("usr/lib/systemd/system/bayfill.service"))
	if command == nil {
		t.Fatal("the unit has no ExecStart")
	}
	args := strings.Fields(command[1])
	for n, a := range args {
		if strings.HasPrefix(a, "/") {
			args[n] = i.path(a)
		}
	}
	ready, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: i.path("tmp/notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer ready.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, args[0], args[1:]...)
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+i.path("tmp/notify"))
	var log bytes.Buffer
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	buffer := make([]byte, 4096)
	_ = ready.SetReadDeadline(time.Now().Add(time.Minute))
	n, err := ready.Read(buffer)
	if err != nil || !strings.Contains(string(buffer[:n]), "READY=1") {
		t.Errorf("not ready: %q, %v", buffer[:n], err)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Error(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("%q: %v\n%s", args, err, log.Bytes())
	}
}

// newer returns the same package with a higher version.
func newer(t *testing.T, file string) string {
	t.Helper()
	tree := t.TempDir()
	run(t, "dpkg-deb", "--raw-extract", file, tree)
	control := filepath.Join(tree, "DEBIAN", "control")
	text, err := os.ReadFile(control)
	if err != nil {
		t.Fatal(err)
	}
	text = regexp.MustCompile(`(?m)^Version: .*$`).ReplaceAll(text, []byte("$0+newer"))
	if err := os.WriteFile(control, text, 0o644); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "newer.deb")
	run(t, "dpkg-deb", "-Znone", "--build", tree, out)
	return out
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// TestPrograms holds that each program is static and names the commit that it was built from.
func TestPrograms(t *testing.T) {
	folder := dist(t)
	sums, err := os.Open(filepath.Join(folder, "SHA256SUMS"))
	if err != nil {
		t.Fatal(err)
	}
	defer sums.Close()
	commit := strings.TrimSpace(run(t, "git", "rev-parse", "HEAD"))
	programs := 0
	for lines := bufio.NewScanner(sums); lines.Scan(); {
		name := strings.Fields(lines.Text())[1]
		if !strings.HasPrefix(name, "bayfill-linux-") || strings.HasSuffix(name, ".txt") {
			continue
		}
		programs++
		info := run(t, "go", "version", "-m", filepath.Join(folder, name))
		for _, want := range []string{"vcs.revision=" + commit, "CGO_ENABLED=0", "-trimpath=true"} {
			if !strings.Contains(info, want) {
				t.Errorf("%s was not built with %s:\n%s", name, want, info)
			}
		}
		if strings.Contains(info, fmt.Sprintf("path\t%s", os.Getenv("HOME"))) {
			t.Errorf("%s holds a path of this computer", name)
		}
	}
	if programs == 0 {
		t.Errorf("%s lists no program", folder)
	}
}
