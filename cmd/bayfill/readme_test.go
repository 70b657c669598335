package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/calibrate"
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

// README gives all reasons why the job of its tour is not verified: what the tour leaves out.
func TestReadmeSaysWhyNotVerified(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	tour, after, _ := strings.Cut(string(readme), "*Not verified*")
	reason, _, _ := strings.Cut(after, ".")
	for what, command := range map[string]string{"calibrated": "bayfill calibrate", "torque": "job record torque", "leaks": "job record leaks"} {
		if strings.Contains(tour, command) == strings.Contains(reason, what) {
			t.Errorf("%s: the tour and its reason %q do not agree", what, reason)
		}
	}
}

// elsewhere are the commands of README that its tour does not paste, in blocks and in
// sentences, each with the test that runs it.
var elsewhere = map[string]string{
	"go run ./cmd/bayfill demo":             "TestDemo",
	"bayfill demo":                          "TestDemo",
	"bash .ci/test":                         "TestReadmeTour", // which it runs
	"apt install ./bayfill_*.deb":           "TestPackage",
	"bayfill sim":                           "TestSimByHand",        // and the next, on the wall clock
	"bayfill run 2> $BAYFILL_SIM/run.log &": "TestSimByHand",        // the tour begins its own bridge there
	"kill -9 %%":                            "TestKilledInMidDrain", // the tour ends its own bridge, and keeps its clock
	"sudo date --set '1 hour ago'":          "TestClockStepsChangeNothing",
	"sudo date --set '1 hour'":              "TestClockStepsChangeNothing",
	"bayfill demo fleet":                    "TestDemoFleet",
	"bayfill board --may-command":           "TestBoardCommand",
	"bayfill watch":                         "TestWatchPlain",
	"bayfill ports":                         "TestSimReplaysRecording",
	"bayfill listen PORT":                   "TestSimReplaysRecording",
	"bayfill sim --replay FILE":             "TestSimReplaysRecording",
	"bayfill check --config FILE":           "TestCheck",
	"bayfill doctor --config FILE":          "TestDoctorOnAHealthyWorkshop",
	"bayfill calibrate --sensor NAME":       "TestReadmeTour",
	"bayfill help":                          "TestMisspeltCommands",
	"bayfill help words":                    "TestGlossary",
	"bayfill help protocols":                "TestReference",
	"go build -o bayfill ./cmd/bayfill && export PATH=$PWD:$PATH": "TestPrograms", // of the packages, built alike
}

// No command of README is left out: the tour pastes it, or another test that there is runs it.
func TestReadmeLeavesNothingOut(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	sentences := regexp.MustCompile("(?ms)^```.*?^```$").ReplaceAllString(string(text), "")
	for _, m := range regexp.MustCompile("`((?:bayfill|go|bash|apt|kill|unplug|plug) [^`]+)`").FindAllStringSubmatch(sentences, -1) {
		if command := strings.Join(strings.Fields(m[1]), " "); elsewhere[command] == "" {
			t.Errorf("no test runs %s", command)
		}
	}
	tests := ""
	err = filepath.WalkDir(filepath.Join("..", ".."), func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		source, err := os.ReadFile(path)
		tests += string(source)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for command, test := range elsewhere {
		if !strings.Contains(tests, "func "+test+"(t ") {
			t.Errorf("%s: there is no %s", command, test)
		}
		if !strings.Contains(strings.Join(strings.Fields(string(text)), " "), command) {
			t.Errorf("README does not hold %s", command)
		}
	}
}

// tour is a simulated cart and its bridge on a driven clock in the place of the terminals
// with "bayfill sim" and "bayfill run".
type tour struct {
	dir         string
	stage       *stage
	hand        *hand
	shell       *exec.Cmd
	in          io.WriteCloser
	out         bridgetest.Output
	ended       int           // marks of ended blocks
	stopBridge  func()        // and wait for it; nil while none runs
	clockOff    time.Duration // by which the computer's clock was set
	calibration *calibration
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
	listen := bridgetest.FreePort(t)
	broker, err := embeddedBroker(dir, listen, "technician's")
	if err != nil {
		t.Fatal(err)
	}
	text := []byte(workshopConfig(dir, broker, "", 1))
	if err := os.WriteFile(filepath.Join(dir, configName), text, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := writeEnv(dir, "tcp://"+listen); err != nil {
		t.Fatal(err)
	}
	u := &tour{dir: dir, stage: stage, hand: &hand{reader: words.Plain, out: new(bytes.Buffer), time: newSimTime()}}
	u.hand.wait = u.wait
	t.Cleanup(u.endBridge)
	u.startShell(t, dir)
	return u
}

// startBridge begins a bridge on the stage's clock, by which the computer's was set meanwhile.
func (u *tour) startBridge(t *testing.T) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(u.dir, configName))
	if err != nil {
		t.Fatal(err)
	}
	conf, err := config.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	set := *u.stage.clock
	set.AnchorNs += int64(u.clockOff)
	b, err := bridge.New(t.Context(), conf, bridge.Options{Log: newLog(100), Clock: &set, Open: u.stage.open})
	if err != nil {
		t.Fatal(err)
	}
	var running sync.WaitGroup
	ctx, stop := context.WithCancel(t.Context())
	running.Go(func() { b.Run(ctx) })
	u.stopBridge = func() { stop(); running.Wait() }
	if err := u.stage.begin(ctx, b); err != nil {
		t.Fatal(err)
	}
	u.hand.carts = []simCart{{demoCart, u.stage.rig}}
}

func (u *tour) endBridge() {
	if u.stopBridge != nil {
		u.stopBridge()
		u.stopBridge = nil
	}
}

// wait lets time pass at the cart, also while no bridge looks on.
func (u *tour) wait(ctx context.Context, d time.Duration) error {
	if u.stopBridge != nil {
		return u.stage.step(ctx, d)
	}
	u.stage.rig.Advance(ctx, d, u.stage.clock.Advance, func(string) {})
	return ctx.Err()
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

// calibrationSpeed is that of the clock of a calibration, so that a probe settles in seconds.
const calibrationSpeed = 60

// calibration is a running "bayfill calibrate".
type calibration struct {
	keys  io.Writer
	out   bridgetest.Output
	asked int // points so far
	ended chan error
}

// enter presses Enter at the next point, and waits until it was taken.
func (c *calibration) enter(t *testing.T) {
	t.Helper()
	c.asked++
	bridgetest.Eventually(t, 20*time.Second, "the next point", func() bool { return strings.Count(c.out.String(), "then press Enter") == c.asked })
	io.WriteString(c.keys, "\n")
	bridgetest.Eventually(t, 20*time.Second, "a settled reading", func() bool { return strings.Count(c.out.String(), "settled at") == c.asked })
}

// freePorts ends the bridge. Its instruments send on ports of their own from then on.
func (u *tour) freePorts(t *testing.T) {
	t.Helper()
	u.endBridge()
	began := time.Now()
	rig, err := workshop(portsFolder(u.dir), 1, func() time.Duration { return calibrationSpeed * time.Since(began) }, shopFloor{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { rig.Run(ctx) })
	t.Cleanup(func() { stop(); running.Wait() })
	u.hand.carts = []simCart{{demoCart, rig}}
}

// calibrate does a line with bayfill calibrate and presses Enter at its first point: at the
// others when the cart has done what its next block says.
func (u *tour) calibrate(t *testing.T, line string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(u.dir, configName))
	if err != nil {
		t.Fatal(err)
	}
	patient := regexp.MustCompile(`(?m)^( +)protocol: .*$`).ReplaceAllString(string(text), "$0\n${1}silent_after_s: 200")
	conf, err := config.Parse([]byte(patient))
	if err != nil {
		t.Fatal(err)
	}
	cmd := calibrateCommand()
	if err := cmd.ParseFlags(shellWords(line)[2:]); err != nil {
		t.Fatal(err)
	}
	points, _ := cmd.Flags().GetStringArray("point")
	sensor, _ := cmd.Flags().GetString("sensor")
	session, err := calibrate.New(conf, calibrate.Options{
		Cart: demoCart, Sensor: sensor, Points: points, By: demoUser, Reader: words.Plain, WeightsUPct: 0.005, ReferenceUC: 0.1, ResolutionC: 0.1, DueDays: 365, Speed: calibrationSpeed,
	})
	if err != nil {
		t.Fatal(err)
	}
	in, keys := io.Pipe()
	c := &calibration{keys: keys, ended: make(chan error, 1)}
	go func() { c.ended <- session.Run(t.Context(), in, &c.out) }()
	c.enter(t)
	if u.calibration = c; len(points) == 1 {
		u.calibrated(t)
	}
}

// calibrated waits for the end of a calibration.
func (u *tour) calibrated(t *testing.T) {
	t.Helper()
	select {
	case err := <-u.calibration.ended:
		if err != nil {
			t.Errorf("%v: %s", err, u.calibration.out.String())
		}
	case <-time.After(20 * time.Second):
		t.Fatalf("it does not end: %s", u.calibration.out.String())
	}
	u.calibration = nil
}

// do does a block of words at the cart.
func (u *tour) do(t *testing.T, text string) {
	for line := range strings.Lines(text) {
		u.hand.do(t.Context(), line)
		if sensor, is := strings.CutPrefix(line, "plug "); is {
			select { // the bridge tries again each second
			case <-u.stage.opened:
			case <-time.After(20 * time.Second):
				t.Fatalf("the bridge does not open the port of %s again", sensor)
			}
		}
	}
	if u.calibration != nil {
		time.Sleep(200 * time.Millisecond) // a hand is slower, and nothing is on its way from before
		u.calibration.enter(t)
		u.calibrated(t)
	}
}

// command does a line of a block for a shell, and returns whether another test runs it.
func (u *tour) command(t *testing.T, line string) (left bool) {
	t.Helper()
	line, _, _ = strings.Cut(line, " #")
	line = strings.TrimSpace(line)
	switch {
	case strings.HasPrefix(line, "bayfill run "):
		u.paste(t, "sleep 600 >/dev/null 2>&1 &\n") // a job in its place
		u.startBridge(t)
		return true
	case strings.HasPrefix(line, "kill -9 "):
		u.paste(t, line)
		u.endBridge()
		return true
	case line == "sudo date --set '1 hour ago'":
		u.clockOff -= time.Hour
		return true
	case elsewhere[line] != "":
		return true
	case strings.HasPrefix(line, "bayfill calibrate "):
		u.calibrate(t, line)
	default:
		u.paste(t, strings.ReplaceAll(line, "/tmp/bayfill-sim", u.dir))
	}
	if line == "kill %1" {
		u.freePorts(t)
	}
	return false
}

// heldTruth compares what the job showed last with the truth that the cart said, its only words.
func (u *tour) heldTruth(t *testing.T, said string) {
	t.Helper()
	figure := func(pattern, text string) []float64 {
		all := regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1)
		if len(all) == 0 {
			t.Fatalf("no %s in %s", pattern, text)
		}
		var list []float64
		for _, digits := range all[len(all)-1][1:] {
			f, err := strconv.ParseFloat(digits, 64)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, f)
		}
		return list
	}
	truth := figure(`^\s*Truly: out ([\d.]+) L, in ([\d.]+) L[^\n]*\n.*\n\s*$`, said)
	for i, name := range []string{"out", "in"} {
		shown := figure(`(?m)^`+name+` +([\d.]+) ± ([\d.]+) L$`, u.out.String())
		if off := math.Abs(shown[0] - truth[i]); off > shown[1]+0.01 || shown[1] > 0.05 || truth[i] < 1 {
			t.Errorf("%s: %g ± %g L, truly %g L", name, shown[0], shown[1], truth[i])
		}
	}
}

// README's blocks are pasted line by line, and every line that it says is printed is. What
// the tour does not do itself is in elsewhere.
func TestReadmeTour(t *testing.T) {
	bridgetest.Slow(t)
	dir := t.TempDir()
	u := startTour(t, dir)
	said, left := new(bytes.Buffer), 0
	u.hand.out = said
	demo, err := os.ReadFile(filepath.Join("testdata", "demo.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range readmeBlocks(t) {
		switch b.kind {
		case "sh":
			for line := range strings.Lines(b.text) {
				if u.command(t, line) {
					left++
				}
			}
		case "sim":
			u.do(t, b.text)
		case "text", "text demo":
			printed := u.out.String()
			if b.kind == "text demo" {
				printed = string(demo)
			}
			for line := range strings.Lines(b.text) {
				if !strings.Contains(printed, line) {
					t.Errorf("%q is not printed:\n%s", line, printed)
				}
			}
		default:
			t.Errorf("a block of kind %q", b.kind)
		}
	}
	if left != 10 {
		t.Errorf("%d lines were left to other tests", left)
	}
	t.Log(u.out.String(), said)
	u.heldTruth(t, said.String())
	if _, err := os.Stat(filepath.Join(dir, "ticket.html")); err != nil {
		t.Error(err)
	}
	if status, out, errors := program(t.Context(), "calibrate", "--list", "--config", filepath.Join(dir, configName)); status != 0 || strings.Count(out, "never calibrated") != 2 {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
}
