package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// program runs the command line and returns what it printed.
func program(ctx context.Context, args ...string) (status int, out, errors string) {
	var o, e bytes.Buffer
	status = run(ctx, args, strings.NewReader(""), &o, &e)
	return status, o.String(), e.String()
}

func TestCheck(t *testing.T) {
	dir := t.TempDir()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "config", "bayfill.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	// The example with secrets that are there.
	text = bytes.ReplaceAll(text, []byte("/etc/bayfill/"), []byte(dir+"/"))
	text = bytes.ReplaceAll(text, []byte("/var/lib/bayfill"), []byte(dir+"/data"))
	example := filepath.Join(dir, "bayfill.yaml")
	for name, content := range map[string]string{"bayfill.yaml": string(text), "board.password": "a\n", "influx.token": "b\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	status, _, errors := program(t.Context(), "check", "--config", example)
	if status != exitConfig || !strings.Contains(errors, "identities.key: "+dir+"/identity.key: no such file") {
		t.Errorf("a key that is missing: status %d: %s", status, errors)
	}
	if err := os.WriteFile(filepath.Join(dir, "identity.key"), []byte("sixteen characters\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	status, _, errors = program(t.Context(), "check", "--config", example)
	if status != exitConfig || !strings.Contains(errors, "broker.users[1].password: environment variable BAYFILL_KEYPAD_PASSWORD is not set") {
		t.Errorf("a secret that is missing: status %d: %s", status, errors)
	}
	t.Setenv("BAYFILL_KEYPAD_PASSWORD", "c")
	calibrated := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	fit, err := fillcalc.FitScale([]fillcalc.ScalePoint{{}, {KnownKg: 10, ShownKg: 10}}, fillcalc.ScaleSetup{ResolutionKg: 0.005, RepeatabilityKg: 0.002},
		0.00005, calibrated.UnixNano(), calibrated.AddDate(0, 0, 365).UnixNano())
	if err != nil {
		t.Fatal(err)
	}
	if err := config.AppendCalibration(filepath.Join(dir, "data", "bay2.caddy-scale.calibration.jsonl"), config.Calibration{Scale: &fit}); err != nil {
		t.Fatal(err)
	}
	status, out, errors := program(t.Context(), "check", "--config", example)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	// Zero tracking at d = 5 g and at 2 g; the caddy's scale has been calibrated.
	for _, want := range []string{"run cart bay2", "protocol modbus", "keypad, for carts bay2, with the rights: read, command", "http://127.0.0.1:8086",
		"caddy-scale: zero tracking of its indicator", "a drip of up to 2.5 g/s", "a drip of up to 1 g/s",
		"note: sensor supply-scale: never calibrated: calibrate it with bayfill calibrate --cart bay2 --sensor supply-scale",
		"note: sensor fluid-probe: never calibrated", "note: sensor caddy-scale: passed 2020-01-01, due 2020-12-31: OVERDUE"} {
		if !strings.Contains(out, want) {
			t.Errorf("check does not say %q:\n%s", want, out)
		}
	}
	_, out, _ = program(t.Context(), "check", "--config", example, "--lang", "es")
	bridgetest.Spanish(t, out, dir, "/dev/serial/by-id", "/dev/serial/by-path")
	bad := filepath.Join(dir, "bad.yaml")
	wrong := bytes.Replace(text, []byte("capacity_kg: 30\n"), []byte("capcity_kg: 30\n"), 1)
	wrong = bytes.Replace(wrong, []byte("readings: changes"), []byte("readings: some"), 1)
	if err := os.WriteFile(bad, wrong, 0o600); err != nil {
		t.Fatal(err)
	}
	before, _, _ := bytes.Cut(text, []byte("capacity_kg: 30\n"))
	says := fmt.Sprintf(`line %d: unknown key "capcity_kg", did you mean "capacity_kg"?`, 1+bytes.Count(before, []byte("\n")))
	for _, command := range []string{"check", "run"} {
		status, _, errors = program(t.Context(), command, "--config", bad)
		if status != exitConfig || !strings.Contains(errors, says) || strings.Count(errors, "bayfill: "+bad+": line ") != 2 {
			t.Errorf("%s: status %d: %s", command, status, errors)
		}
	}
	if _, _, errors = program(t.Context(), "check", "--config", bad, "--lang", "es"); !strings.Contains(errors, `clave desconocida "capcity_kg", ¿quería decir "capacity_kg"?`) {
		t.Errorf("in Spanish: %s", errors)
	}
	if status, _, errors := program(t.Context(), "check", "--config", "no-such-file"); status != exitConfig || !strings.Contains(errors, "no-such-file") {
		t.Errorf("a missing file: status %d: %s", status, errors)
	}
}

// The key of names that the first start makes: check makes none, and reports one
// that cannot be read, or is gone.
func TestCheckOnTheKeyOfNames(t *testing.T) {
	dir := t.TempDir()
	config, key := filepath.Join(dir, "bayfill.yaml"), filepath.Join(dir, "data", "identity.key")
	text := fmt.Sprintf("shop: a\ndata: %s/data\ncarts: [{name: bay2, sensors: [{name: caddy, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}]}]\n", dir)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		prepare func() error
		status  int
		says    string
	}{
		{func() error { return nil }, 0, ""},
		{func() error { return os.MkdirAll(key, 0o700) }, exitConfig, "identities.key: " + key},
		{func() error { return os.Remove(key) }, 0, ""},
		{func() error { return os.WriteFile(filepath.Join(dir, "data", "bay2.journal"), nil, 0o600) }, 0, "note: identity.key is gone from " + dir + "/data"},
		{func() error { return os.WriteFile(key, []byte("a key"), 0o600) }, 0, ""},
	} {
		if err := c.prepare(); err != nil {
			t.Fatal(err)
		}
		status, out, errors := program(t.Context(), "check", "--config", config)
		said := out + errors
		if status != c.status || !strings.Contains(said, c.says) || c.says == "" && strings.Contains(said, "identit") {
			t.Errorf("status %d, want %d and %q: %s", status, c.status, c.says, said)
		}
	}
}

// bayfill sim writes a configuration that fits, its ports can be listened to,
// and words act on the cart.
func TestSimByHand(t *testing.T) {
	bridgetest.Slow(t)
	dir := t.TempDir()
	broker := bridgetest.FreePort(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	in, keys := io.Pipe()
	var out bridgetest.Output
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, []string{"sim", "--dir", dir, "--listen", broker}, in, &out, &out) }()
	config := filepath.Join(dir, "bayfill.yaml")
	bridgetest.Eventually(t, 10*time.Second, "the configuration", func() bool { return strings.Contains(out.String(), "Type help") })
	if status, _, errors := program(ctx, "check", "--config", config); status != 0 {
		t.Errorf("check: status %d: %s", status, errors)
	}
	status, shown, errors := program(ctx, "listen", "--for", "1s", filepath.Join(dir, "ports", "caddy-scale"))
	if status != 0 || !strings.Contains(shown, "pattern: status-kind-value-unit") {
		t.Errorf("listen: status %d: %s%s", status, shown, errors)
	}
	// The bridge runs on it, and the env file says where.
	setContact(t, "tcp://"+broker, demoUser, passwordPath(dir))
	runs := make(chan int, 1)
	runCtx, stopRun := context.WithCancel(ctx)
	go func() { s, _, _ := program(runCtx, "run", "--config", config); runs <- s }()
	bridgetest.Eventually(t, 15*time.Second, "the job", func() bool {
		status, out, _ := program(ctx, "job", "show")
		return status == 0 && strings.Contains(out, "LIVE") && !strings.Contains(out, "last known")
	})
	stopRun()
	if status := <-runs; status != 0 {
		t.Errorf("run: status %d", status)
	}
	io.WriteString(keys, "drian\npour\n")
	bridgetest.Eventually(t, 10*time.Second, "the answer to a word that is none", func() bool {
		return strings.Contains(out.String(), `"drian" is not a word for the cart, did you mean "drain"?`)
	})
	bridgetest.Eventually(t, 10*time.Second, "the pour", func() bool {
		io.WriteString(keys, "truth\n")
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		last := lines[len(lines)-1]
		return strings.Contains(last, " in ") && !strings.Contains(last, " in 0.00 L")
	})
	io.WriteString(keys, "quit\n")
	if status := <-ended; status != 0 {
		t.Errorf("status %d: %s", status, out.String())
	}
}

// What is no terminal gets lines of at most 80 columns under one header, with
// each volume's uncertainty.
func TestPlainLines(t *testing.T) {
	var out bytes.Buffer
	v := newView(&out, words.Plain, false)
	v.intro(contact{prefix: "bayfill/hilltop/bay2/", broker: mqtt.Endpoint{URLs: []string{"tcp://127.0.0.1:65535"}, Username: "technician", Password: strings.Repeat("X", 26)}}, "/tmp/bayfill-demo", true)
	var s shown
	s.volumes.Phase, s.volumes.DrainedL, s.volumes.DrainedUL, s.volumes.AddedL, s.volumes.AddedUL = "draining", 12.3456, 0.1234, -0.0001, 0
	s.volumes.RemainingL = -12.3456
	s.window.TempC, s.window.State = -12.34, "nearing"
	v.show(s, time.Minute)
	s.volumes.AddedL = 0
	v.show(s, time.Hour)
	v.say(fillcalc.Text{Key: "demo.note", Names: names{"note": strings.Repeat("Four minutes more would gain 0.01 L. ", 4)}})
	if n := strings.Count(out.String(), "to pour"); n != 1 {
		t.Errorf("%d headers in\n%s", n, out.String())
	}
	if n := strings.Count(out.String(), "draining        12.3 ± 0.12 L   0.00 ± 0.00 L   -12.3 L   -12.3 °C not yet\n"); n != 2 {
		t.Errorf("%d rows in\n%s", n, out.String())
	}
	for line := range strings.Lines(out.String()) {
		if n := len([]rune(line)); n > 81 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
}
