package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/words"
)

// asProgram in the environment makes the test binary the program, so that a shell can run it.
const asProgram = "BAYFILL_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	os.Exit(m.Run())
}

// block is a fenced block of README: sh for a shell, sim for the simulated cart, text for
// what is printed.
type block struct{ kind, text string }

func readmeBlocks(t *testing.T) (list []block) {
	t.Helper()
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile("(?ms)^```([a-z ]+)\n(.*?)^```$").FindAllStringSubmatch(string(readme), -1) {
		list = append(list, block{m[1], m[2]})
	}
	return list
}

// Before the reference README is short.
func TestReadmeIsShort(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	before, _, found := strings.Cut(string(readme), "\n## Reference\n")
	if n := len(strings.Fields(before)); !found || n > 1200 {
		t.Errorf("%d words before the reference, at most 1,200", n)
	}
	for _, link := range regexp.MustCompile(`\]\(([^)#:]+)[)#]`).FindAllStringSubmatch(string(readme), -1) {
		if _, err := os.Stat(filepath.Join("..", "..", link[1])); err != nil {
			t.Error(err)
		}
	}
}

// tour is a simulated cart and its bridge on a driven clock in the place of the terminals
// with "bayfill sim" and "bayfill run".
type tour struct {
	hand  *hand
	shell *exec.Cmd
	in    io.WriteCloser
	out   bridgetest.Output
	ended int // marks of ended blocks
}

// startTour begins the tour in a folder, with a shell in which bayfill is this program.
func startTour(t *testing.T, dir string) *tour {
	t.Helper()
	stage, err := newStage(time.Now().Add(-time.Hour), 1)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { stage.rig.Serve(ctx) })
	t.Cleanup(func() { stop(); running.Wait() })
	broker, err := embeddedBroker(dir, "127.0.0.1:0", "technician's")
	if err != nil {
		t.Fatal(err)
	}
	text := []byte(workshopConfig(dir, broker, "", 1))
	if err := os.WriteFile(filepath.Join(dir, configName), text, 0o600); err != nil {
		t.Fatal(err)
	}
	conf, err := config.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	b, err := bridge.New(ctx, conf, bridge.Options{Log: newLog(100), Clock: stage.clock, Open: stage.open})
	if err != nil {
		t.Fatal(err)
	}
	running.Go(func() { b.Run(ctx) })
	if err := stage.begin(ctx, b); err != nil {
		t.Fatal(err)
	}
	if err := writeEnv(dir, b.BrokerURL()); err != nil {
		t.Fatal(err)
	}
	tour := &tour{hand: &hand{reader: words.Plain, out: new(bytes.Buffer), time: newSimTime(), wait: stage.step, carts: []simCart{{demoCart, stage.rig}}}}
	tour.startShell(t, dir)
	return tour
}

func (u *tour) startShell(t *testing.T, dir string) {
	t.Helper()
	bin := filepath.Join(dir, "bin")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	script := fmt.Sprintf("#!/bin/sh\n%s=1 exec %s \"$@\"\n", asProgram, self)
	if err := os.MkdirAll(bin, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(bin, "bayfill"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	u.shell = exec.Command("bash", "--norc")
	u.shell.Dir = dir
	u.shell.Env = append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"))
	u.shell.Stdout, u.shell.Stderr = &u.out, &u.out
	if u.in, err = u.shell.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := u.shell.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { u.in.Close(); u.shell.Wait() })
}

// paste pastes lines into the shell one by one, and fails when one of them does.
func (u *tour) paste(t *testing.T, text string) {
	t.Helper()
	for line := range strings.Lines(text) {
		u.ended++
		mark := fmt.Sprintf("ended %d:", u.ended)
		fmt.Fprintf(u.in, "%s\necho %s $?\n", strings.TrimSuffix(line, "\n"), mark)
		bridgetest.Eventually(t, 20*time.Second, line, func() bool { return strings.Contains(u.out.String(), mark) })
		if !strings.Contains(u.out.String(), mark+" 0\n") {
			t.Fatalf("%s\n%s", line, u.out.String())
		}
	}
}

// README's tour is pasted line by line, and every line that it says is printed is. The two
// lines that start the cart and the bridge are done otherwise: see TestSimByHand.
func TestReadmeTour(t *testing.T) {
	bridgetest.Slow(t)
	dir := t.TempDir()
	u := startTour(t, dir)
	said, started := new(bytes.Buffer), []string{"bayfill sim\n", "bayfill run &\n"}
	u.hand.out = said
	demo, err := os.ReadFile(filepath.Join("testdata", "demo.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range readmeBlocks(t) {
		text := strings.ReplaceAll(b.text, "/tmp/bayfill-sim", dir)
		switch b.kind {
		case "sh":
			for _, start := range started {
				if before := text; strings.Contains(before, start) {
					text = strings.Replace(text, start, "", 1)
					started = slices.DeleteFunc(started, func(s string) bool { return s == start })
				}
			}
			u.paste(t, text)
		case "sim":
			for line := range strings.Lines(text) {
				u.hand.do(t.Context(), line)
			}
		case "text", "text demo":
			printed := u.out.String()
			if b.kind == "text demo" {
				printed = string(demo)
			}
			for line := range strings.Lines(text) {
				if !strings.Contains(printed, line) {
					t.Errorf("%q is not printed:\n%s", line, printed)
				}
			}
		default:
			t.Errorf("a block of kind %q", b.kind)
		}
	}
	if said.Len() > 0 || len(started) > 0 {
		t.Errorf("the cart said %s, not started: %q", said, started)
	}
	t.Log(u.out.String())
	for _, file := range []string{"ticket.html"} {
		if _, err := os.Stat(filepath.Join(dir, file)); err != nil {
			t.Error(err)
		}
	}
}
