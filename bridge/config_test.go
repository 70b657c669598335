package bridge

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The example file holds every key that there is, and is good.
func TestExampleConfig(t *testing.T) {
	path := filepath.Join("..", "testdata", "config", "bayfill.yaml")
	c, err := LoadConfig(path)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range configKeys() {
		if !strings.Contains(string(text), key+":") {
			t.Errorf("the example lacks the key %s", key)
		}
	}
	if s := c.Carts[0].setup(); len(s.Scales) != 2 || s.Probe != "fluid-probe" || s.CaddyProbe != "caddy-probe" {
		t.Errorf("setup %+v", s)
	}
}

const smallConfig = `shop: hilltop
data: /tmp/x
fluids:
  - {name: a, density_kg_m3: 850}
carts:
  - name: bay2
    sensors:
      - name: caddy
        role: caddy
        port: /dev/ttyX
        protocol: sma
        capacity_kg: 30
        resolution_kg: 0.005
`

func TestConfigDefaults(t *testing.T) {
	c, err := ParseConfig([]byte(smallConfig))
	if err != nil {
		t.Fatal(err)
	}
	s := c.Carts[0].Sensors[0]
	if c.Broker.Listen != "127.0.0.1:1883" || *c.Carts[0].ReferenceC != 20 || s.Line != "9600 8N1" || *s.MaxFlowKgS != 0.15 ||
		*s.RepeatabilityKg != 0.002 || c.Fluids[0].Model != "oil-2004" || *c.Fluids[0].AtC != 15 {
		t.Errorf("defaults: %+v", c)
	}
}

// Every kind of mistake names its line or path and says what would be right.
func TestConfigMistakes(t *testing.T) {
	replace := func(old, new string) string {
		if !strings.Contains(smallConfig, old) {
			t.Fatalf("the small configuration has no %q", old)
		}
		return strings.Replace(smallConfig, old, new, 1)
	}
	sensor := func(lines string) string { return smallConfig + lines }
	for _, c := range []struct{ text, want string }{
		{"", "the file is empty"},
		{"# nothing\n", "the file is empty"},
		{smallConfig + "---\nshop: b\n", "second document"},
		{replace("capacity_kg", "capacty_kg"), `line 12: unknown key "capacty_kg", did you mean "capacity_kg"?`},
		{replace("shop:", "xylophone_mode: 1\nshop:"), `line 1: unknown key "xylophone_mode"`},
		{replace("data: /tmp/x", "data: /tmp/x\ndata: /tmp/y"), "data"},
		{replace("capacity_kg: 30", "capacity_kg: heavy"), `line 12: "heavy" is not what is wanted here: a number`},
		{replace("carts:\n", "carts: 7\nx:\n"), "line"},
		{replace("shop: hilltop", "shop: Hill Top"), `line 1: shop: "Hill Top" must be`},
		{replace("data: /tmp/x", "data: ''"), "data: a folder"},
		{replace("role: caddy", "role: cady"), `line 9: carts[0] (bay2).sensors[0] (caddy).role: "cady" is not one of`},
		{replace("role: caddy", "role: supply"), "no scale has the role caddy"},
		{replace("protocol: sma", "protocol: smaa"), `protocol: "smaa" is not one of sma, line, modbus, scpi`},
		{replace("protocol: sma", "protocol: line"), "pattern: line needs one"},
		{replace("protocol: sma", "protocol: line\n        pattern: '(?P<weight>.*)'"), `pattern: group "weight" is not one of`},
		{replace("protocol: sma", "protocol: line\n        pattern: '(?P<value>'"), "pattern: "},
		{replace("protocol: sma", "protocol: modbus"), "unit_id: 0 is not from 1 to 247"},
		{replace("resolution_kg: 0.005", "resolution_kg: 0"), "resolution_kg: 0"},
		{replace("capacity_kg: 30", "capacity_kg: .inf"), "capacity_kg"},
		{replace("density_kg_m3: 850", "density_kg_m3: 8500"), "line 4: fluids[0]"},
		{replace("density_kg_m3: 850", "density_kg_m3: 850, model: oil"), "model"},
		{sensor("        line: 9600\n"), `line: "9600": want speed, data bits, parity and stop bits`},
		{sensor("        unit: stone\n"), `unit: unit "stone" is not one of kg, g, lb, oz`},
		{sensor("        poll_ms: 1\n"), "poll_ms: 1 is not from 10"},
		{sensor("        silent_after_s: 0.1\n"), "silent_after_s"},
		{sensor("        registers: coil\n"), `registers: "coil"`},
		{sensor("        gain_u_pct: -1\n"), "gain_u_pct"},
		{sensor("        max_flow_kg_s: 0\n"), "max_flow_kg_s"},
		{sensor("      - {name: caddy, role: supply, port: b, protocol: sma}\n"), "used once"},
		{sensor("      - {name: b, role: caddy, port: b, protocol: sma}\n"), "role: caddy is taken"},
		{sensor("      - {name: b, role: supply, port: /dev/ttyX, protocol: sma}\n"), "used by caddy too"},
		{sensor("  - name: bay2\n    sensors: []\n"), "used once"},
		{sensor("broker: {url: 'http://x:1'}\n"), `scheme "http"`},
		{sensor("broker: {url: 'tcp://u:p@x:1'}\n"), "no user or password in the address"},
		{sensor("broker: {listen: '0.0.0.0:1883'}\n"), "configure users before others can reach the broker"},
		{sensor("broker: {listen: ':1883'}\n"), "not a loopback address"},
		{sensor("broker: {users: [{name: a, may: [read]}]}\n"), "users[0].password"},
		{sensor("broker: {users: [{name: a, may: [write], password: {env: X}}]}\n"), `may: "write"`},
		{sensor("broker: {users: [{name: a, password: secret}]}\n"), "line"},
		{sensor("history: {url: 'ftp://x', bucket: b}\n"), "history.url"},
		{sensor("history: {url: 'http://x:1'}\n"), "history.bucket"},
	} {
		_, err := ParseConfig([]byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want %q, got %v\nfor\n%s", c.want, err, c.text)
		}
	}
}

// Secrets come from files or the environment, and no error shows them.
func TestSecrets(t *testing.T) {
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte("open sesame\r\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("BAYFILL_TEST_SECRET", "open barley")
	for _, c := range []struct {
		secret     Secret
		want, fail string
	}{
		{Secret{File: file}, "open sesame", ""},
		{Secret{Env: "BAYFILL_TEST_SECRET"}, "open barley", ""},
		{Secret{}, "", ""},
		{Secret{Env: "BAYFILL_TEST_NO_SUCH"}, "", "BAYFILL_TEST_NO_SUCH is not set"},
		{Secret{File: file + "x"}, "", "no such file"},
		{Secret{File: file, Env: "X"}, "", "not both"},
	} {
		got, err := c.secret.Read()
		if got != c.want || (err == nil) != (c.fail == "") || err != nil && !strings.Contains(err.Error(), c.fail) {
			t.Errorf("%+v: %q, %v", c.secret, got, err)
		}
	}
	// A whole start and stop with every secret set: nothing that is said holds one.
	config, err := ParseConfig(fmt.Appendf(nil, "%sbroker: {listen: '127.0.0.1:0', users: [{name: a, may: [read], password: {file: %q}}]}\n"+
		"history: {url: 'http://127.0.0.1:1', bucket: b, token: {env: BAYFILL_TEST_SECRET}}\n",
		strings.Replace(smallConfig, "/tmp/x", t.TempDir(), 1), file))
	if err != nil {
		t.Fatal(err)
	}
	var log lockedLog
	b, err := New(t.Context(), config, Options{Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = (&forwarder{shop: "a", cart: "b", journal: b.carts[0].journal, history: b.history, log: slog.Default()}).once(t.Context())
	said := fmt.Sprintf("%+v %v %s", config, err, log.text())
	b.close()
	for _, secret := range []string{"open sesame", "open barley"} {
		if strings.Contains(said, secret) {
			t.Errorf("a secret was shown: %s", said)
		}
	}
}

func TestNearest(t *testing.T) {
	for word, want := range map[string]string{"prot": "port", "capcity_kg": "capacity_kg", "resolution": "resolution_kg", "qqqqqqqqqqqq": ""} {
		if got := nearest(word, configKeys()); got != want {
			t.Errorf("nearest to %q is %q, want %q", word, got, want)
		}
	}
}

// Whatever the file holds, it is a configuration that passed every check or an
// error with a text; never a panic.
func FuzzConfig(f *testing.F) {
	f.Add(smallConfig)
	f.Add("shop: [")
	f.Add("a: &a [*a]")
	f.Add("shop: hilltop\ndata: x\ncarts: [{name: a, sensors: [{name: s, role: caddy, port: p, protocol: line, pattern: '(?P<value>a*)*', capacity_kg: 1, resolution_kg: 0.1}]}]")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseConfig([]byte(text))
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without a text")
			}
			return
		}
		for i := range c.Carts {
			for j := range c.Carts[i].Sensors {
				if _, err := c.Carts[i].Sensors[j].sensor(NewClock(0, 1)); err != nil {
					t.Fatalf("check passed, the sensor cannot be made: %v", err)
				}
			}
		}
	})
}
