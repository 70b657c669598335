package config

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/clock"
	"bayfill/bridge/typo"
	"bayfill/fillcalc"
)

// The example file contains every key and is valid.
func TestExampleConfig(t *testing.T) {
	path := bridgetest.Testdata(t, "config", "bayfill.yaml")
	c, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range yamlKeys(reflect.TypeFor[Config]()) {
		if !strings.Contains(string(text), key+":") {
			t.Errorf("the example lacks the key %s", key)
		}
	}
	if s := c.Carts[0].Setup("", nil); len(s.Scales) != 2 || s.Probe.Sensor != "fluid-probe" || s.CaddyProbe.Sensor != "caddy-probe" {
		t.Errorf("setup %+v", s)
	}
	if s := c.Carts[0].Setup("", nil); s.Probe.LagS != 5 || s.CaddyProbe.LagS != 0 {
		t.Errorf("lags of %g and %g s", s.Probe.LagS, s.CaddyProbe.LagS)
	}
	if s := c.Carts[1].Setup("", nil); s.Coolant.Sensor != "coolant-probe" || s.Coolant.LagS != 0 || s.Probe.Sensor != "" {
		t.Errorf("setup %+v", s)
	}
}

// The stock of the example: volumes in litres, dates from midnight, the container's limit.
func TestStock(t *testing.T) {
	c, err := Load(bridgetest.Testdata(t, "config", "bayfill.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	f := c.Stock.Fluids[0]
	if f.Fluid != "amber 6" || f.Counted.L != 60 || f.Low.L != 15 || f.Bought[0].Volume.L != 20 {
		t.Errorf("%+v", f)
	}
	if at := time.Unix(0, f.Date.Ns()); !at.Equal(time.Date(2026, 1, 5, 0, 0, 0, 0, time.Local)) {
		t.Errorf("counted at %v", at)
	}
	c, err = Parse([]byte(bridgetest.SmallConfig + "stock: {waste: {holds: 55 gal, emptied: 2026-01-05T14:30:00+01:00}}\n"))
	if err != nil {
		t.Fatal(err)
	}
	w := c.Stock.Waste
	// A US gallon is 3.785411784 L: NIST SP 811, appendix B.
	if math.Abs(w.Holds.L-55*3.785411784) > 1e-9 || math.Abs(w.Full.L-0.9*w.Holds.L) > 1e-9 || w.Emptied.Ns() != time.Date(2026, 1, 5, 13, 30, 0, 0, time.UTC).UnixNano() {
		t.Errorf("%+v", w)
	}
}

func TestConfigDefaults(t *testing.T) {
	c, err := Parse([]byte(bridgetest.SmallConfig + "      - {name: t, role: transmission-temp, port: b, protocol: scpi, unit: C}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if lagS := c.Carts[0].Setup("", nil).Probe.LagS; lagS != 8 {
		t.Errorf("a probe in the fluid lags by %g s", lagS)
	}
	s := c.Carts[0].Sensors[0]
	if c.Broker.Listen != "127.0.0.1:1883" || *c.Carts[0].ReferenceC != 20 || s.Line != "9600 8N1" || *s.MaxFlowKgS != 0.15 || c.Journal.MaxBytes() != 2_000_000_000 ||
		*s.RepeatabilityKg != 0.002 || c.Fluids[0].Model != "oil-2004" || *c.Fluids[0].AtC != 15 {
		t.Errorf("defaults: %+v", c)
	}
}

// The error of every kind of mistake names the line or the path and says what would be
// right.
func TestConfigMistakes(t *testing.T) {
	replace := func(old, new string) string {
		if !strings.Contains(bridgetest.SmallConfig, old) {
			t.Fatalf("the small configuration has no %q", old)
		}
		return strings.Replace(bridgetest.SmallConfig, old, new, 1)
	}
	sensor := func(lines string) string { return bridgetest.SmallConfig + lines }
	for _, c := range []struct{ text, want string }{
		{"", "the file is empty"},
		{"# nothing\n", "the file is empty"},
		{bridgetest.SmallConfig + "---\nshop: b\n", "second document"},
		{replace("capacity_kg", "capacty_kg"), `line 12: unknown key "capacty_kg", did you mean "capacity_kg"?`},
		{replace("shop:", "xylophone_mode: 1\nshop:"), `line 1: unknown key "xylophone_mode"`},
		{replace("data: /tmp/x", "data: /tmp/x\ndata: /tmp/y"), "data"},
		{replace("capacity_kg: 30", "capacity_kg: heavy"), `line 12: "heavy" must be a number`},
		{replace("carts:\n", "carts: 7\nx:\n"), "line"},
		{replace("shop: hilltop", "shop: Hill Top"), `line 1: shop: "Hill Top" must be`},
		{replace("data: /tmp/x", "data: ''"), "data: must name a folder"},
		{replace("data: /tmp/x", "data: /tmp/x\nunits: UK"), `line 3: units: "UK" is not one of metric, us, imperial`},
		{replace("role: caddy", "role: cady"), `line 9: carts[0] (bay2).sensors[0] (caddy).role: "cady" is not one of`},
		{replace("role: caddy", "role: supply"), "one scale must have the role caddy"},
		{replace("protocol: sma", "protocol: smaa"), `protocol: "smaa" is not one of sma, line, modbus, scpi`},
		{replace("protocol: sma", "protocol: line"), "pattern: line needs one"},
		{replace("protocol: sma", "protocol: line\n        pattern: '(?P<weight>.*)'"), `pattern: group "weight" is not one of`},
		{replace("protocol: sma", "protocol: line\n        pattern: '(?P<value>'"), "pattern: "},
		{replace("protocol: sma", "protocol: modbus"), "unit_id: 0 must be from 1 to 247"},
		{replace("resolution_kg: 0.005", "resolution_kg: 0"), "resolution_kg: 0"},
		{replace("capacity_kg: 30", "capacity_kg: .inf"), "capacity_kg"},
		{replace("density_kg_m3: 850", "density_kg_m3: 8500"), "line 4: fluids[0]"},
		{replace("name: bay2", "name: bay2\n    caddy: {holds_l: .inf}"), "caddy: "},
		{replace("name: bay2", "name: bay2\n    caddy: {empty_kg: .inf}"), "caddy: "},
		{replace("name: bay2", "name: bay2\n    caddy: {empty_kg: -1}"), "caddy: "},
		{replace("name: bay2", "name: bay2\n    air_kg_m3: 12"), "line 7: carts[0] (bay2).air_kg_m3: 12"},
		{replace("name: bay2", "name: bay2\n    reference_c: 80"), "reference_c: 80"},
		{replace("name: bay2", "name: bay2\n    reference_c: .nan"), "reference_c: NaN must be from 0 to 60"},
		{replace("density_kg_m3: 850", "density_kg_m3: 850, density_u_pct: 10"), "fluids[0].density_u_pct: 10"},
		{replace("density_kg_m3: 850", "density_kg_m3: .inf"), "line 4: fluids[0]"},
		{replace("density_kg_m3: 850", "density_kg_m3: 850, at_c: 300"), "line 4: fluids[0]"},
		{replace("density_kg_m3: 850", "model: points, points: [{c: 0, kg_m3: 860}]"), "points"},
		{replace("density_kg_m3: 850", "density_kg_m3: .nan, model: points, points: [{c: 0, kg_m3: 860}, {c: 80, kg_m3: 800}]"), "line 4: fluids[0]: every figure"},
		{replace("density_kg_m3: 850", "model: points, points: [{c: 0, kg_m3: 860}, {c: .inf, kg_m3: 800}]"), "line 4: fluids[0]: every figure"},
		{replace("density_kg_m3: 850", "model: points, points: [{c: -.inf, kg_m3: 860}, {c: 80, kg_m3: 800}]"), "line 4: fluids[0]: every figure"},
		{replace("  - {name: a, density_kg_m3: 850}", "  - {name: a, density_kg_m3: 850}\n  - {name: a, density_kg_m3: 850}"), "line 5: fluids[1].name"},
		{replace("name: bay2", "name: Bay 2"), `line 6: carts[0].name: "Bay 2"`},
		{replace("name: caddy", "name: a/b"), `carts[0] (bay2).sensors[0].name: "a/b"`},
		{replace("port: /dev/ttyX", "port: ''"), "sensors[0].port"},
		{replace("capacity_kg: 30", "capacity_kg: 0"), "capacity_kg: 0"},
		{sensor("        repeatability_kg: 1\n"), "repeatability_kg: 1 must be from 0 to less than 1"},
		{sensor("      - {name: b, role: caddy+supply, port: b, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}\n"), "must be the cart's only scale"},
		{"shop: hilltop\ndata: x\n", "carts: at least one cart"},
		{sensor("broker: {url: 'tcp://x:1', users: [{name: a}]}\n"), "users: belong to the embedded broker"},
		{sensor("broker: {users: [{name: a, password: {env: X}}, {name: a, password: {env: X}}]}\n"), "users[1].name"},
		{sensor("broker: {listen: '127.0.0.1'}\n"), "broker.listen"},
		{sensor("journal: {max_mb: 5}\n"), "line 14: journal.max_mb: 5 must be from 10 to 1000000: the max size"},
		{sensor("journal: {max_mb: 0}\n"), "journal.max_mb: 0 must be from 10"},
		{sensor("journal: {max_mb: .nan}\n"), "journal.max_mb: NaN must be from 10"},
		{sensor("journal: {max_mb: 2 GB}\n"), `line 14: "2 GB" must be a number`},
		{sensor("journal: {maxmb: 500}\n"), `line 14: unknown key "maxmb", did you mean "max_mb"?`},
		{sensor("broker: {listen: '127.0.0.1:1', lisen: x}\n"), `did you mean "listen"?`},
		{sensor("unit: kg\n"), `the key "unit" does not belong here, did you mean "units"?`},
		{replace("density_kg_m3: 850", "density_kg_m3: 850, model: oil"), "model"},
		{sensor("stock: {fluids: [{counted: 60 L, date: 2026-01-05}]}\n"), `line 14: stock.fluids[0].fluid: "" must not be empty`},
		{sensor("stock: {fluids: [{fluid: a, counted: 60 L, date: 2026-01-05}, {fluid: a}]}\n"), `stock.fluids[1].fluid: "a" must not be empty or used twice`},
		{sensor("stock: {fluids: [{fluid: a, date: 2026-01-05}]}\n"), "stock.fluids[0] (a).counted: is missing: give a volume with its unit, as in 60 L"},
		{sensor("stock: {fluids: [{fluid: a, counted: 60, date: 2026-01-05}]}\n"), `stock.fluids[0] (a).counted: `},
		{sensor("stock: {fluids: [{fluid: a, counted: -6 L, date: 2026-01-05}]}\n"), "counted: "},
		{sensor("stock: {fluids: [{fluid: a, counted: 200000 L, date: 2026-01-05}]}\n"), "counted: 200000 L is 2e+05 L: it must be from 0 to 100000 L"},
		{sensor("stock: {fluids: [{fluid: a, counted: 60 L}]}\n"), "date: is missing: say when the fluid was counted, as in 2026-01-31"},
		{sensor("stock: {fluids: [{fluid: a, counted: 60 L, date: 5 May}]}\n"), `date: "5 May" is no date as in 2026-01-31`},
		{sensor("stock: {fluids: [{fluid: a, counted: 60 L, date: 2026-01-05, bought: [{volume: 5 L, date: 2026-01-04}]}]}\n"), "bought[0].date: 2026-01-04 is before the fluid was counted (2026-01-05)"},
		{sensor("stock: {waste: {holds: 200 L}}\n"), "stock.waste.emptied: is missing: say when the container was emptied"},
		{sensor("stock: {waste: {holds: 200 L, emptied: 2026-01-05, full: 210 L}}\n"), "stock.waste.full: 210 L is more than the container holds, 200 L"},
		{sensor("        line: 9600\n"), `line: "9600": want speed, data bits, parity and stop bits`},
		{sensor("        unit: stone\n"), `unit: "stone" is not one of kg, g, lb, oz`},
		{sensor("        poll_ms: 1\n"), "poll_ms: 1 must be from 10"},
		{sensor("        poll_ms: 1001\n"), "poll_ms: 1001 must be from 10 to 1000: a weight that is missing for 3 s"},
		{sensor("      - {name: t, role: transmission-temp, port: b, protocol: scpi, unit: C, poll_ms: 5001}\n"), "poll_ms: 5001 must be from 10 to 5000: a temperature older than 10 s"},
		{sensor("        silent_after_s: 0.1\n"), "silent_after_s"},
		{sensor("        lag_s: 8\n"), "line 14: carts[0] (bay2).sensors[0] (caddy).lag_s: 8 belongs to a probe"},
		{sensor("      - {name: t, role: coolant-temp, port: b, protocol: scpi, unit: C, lag_s: 301}\n"), "lag_s: 301 must be from 0 to 300"},
		{sensor("      - {name: t, role: coolant-temp, port: b, protocol: scpi, unit: C, lag_s: .nan}\n"), "lag_s: NaN must be from 0 to 300"},
		{sensor("        registers: coil\n"), `registers: "coil"`},
		{sensor("        gain_u_pct: -1\n"), "gain_u_pct"},
		{sensor("        max_flow_kg_s: 0\n"), "max_flow_kg_s"},
		{sensor("      - {name: caddy, role: supply, port: b, protocol: sma}\n"), "used only once"},
		{sensor("      - {name: b, role: caddy, port: b, protocol: sma}\n"), "role: another sensor of this cart has the role caddy"},
		{sensor("      - {name: b, role: supply, port: /dev/ttyX, protocol: sma}\n"), "is already used by sensor caddy"},
		{sensor("  - name: bay2\n    sensors: []\n"), "used only once"},
		{sensor("broker: {url: 'http://x:1'}\n"), `"http" is not one of tcp, tls`},
		{sensor("broker: {urls: ['tcp://x:1', 'http://x:1']}\n"), `broker.urls[1]: "http" is not one of tcp, tls`},
		{sensor("broker: {url: 'tcp://x:1', urls: ['tcp://y:1']}\n"), "broker.urls: takes the place of url"},
		{sensor("broker: {discovery: {prefix: 'a/#'}}\n"), `broker.discovery.prefix: "a/#"`},
		{sensor("broker: {discovery: {prefix: bayfill/x}}\n"), "not begin with bayfill"},
		{sensor("readings: some\n"), `readings: "some" is not one of off, changes, all`},
		{sensor("history: {between_jobs: hour}\n"), `history.between_jobs: "hour" is not one of none, minute, all`},
		{sensor("broker: {url: 'tcp://u:p@x:1'}\n"), "no user or password in the address"},
		{sensor("broker: {listen: '0.0.0.0:1883'}\n"), "configure users before other computers can reach the broker"},
		{sensor("broker: {listen: ':1883'}\n"), "not a loopback address"},
		{sensor("broker: {users: [{name: a, may: [read]}]}\n"), "users[0].password"},
		{sensor("broker: {users: [{name: a, may: [write], password: {env: X}}]}\n"), `may: "write"`},
		{sensor("broker: {users: [{name: 'bay:board', may: [read], password: {env: X}}]}\n"), `broker.users[0].name: "bay:board" must not contain a colon`},
		{sensor("broker: {users: [{name: a, password: secret}]}\n"), "line"},
		{sensor("history: {url: 'ftp://x', bucket: b}\n"), "history.url"},
		{sensor("history: {url: 'http://x:1'}\n"), "history.bucket"},
	} {
		_, err := Parse([]byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want %q, got %v\nfor\n%s", c.want, err, c.text)
		}
	}
}

// CheckSecrets finds every secret that cannot be read, before the program runs, and names
// its field.
func TestSecretsThatCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"good": "open sesame\n", "empty": "\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	good, none, empty := "{file: "+dir+"/good}", "{file: "+dir+"/none}", "{file: "+dir+"/empty}"
	for _, c := range []struct{ lines, want string }{
		{"broker: {users: [{name: a, may: [read], password: " + good + "}]}\nhistory: {url: 'http://x:1', bucket: b, token: " + good + "}\n", ""},
		{"broker: {url: 'tcp://x:1', username: a, password: " + good + "}\n", ""},
		{"broker: {url: 'tcp://x:1', username: a, password: " + none + "}\n", "broker.password: " + dir + "/none: no such file"},
		{"identities: {key: " + none + "}\n", "identities.key: " + dir + "/none: no such file"},
		{"identities: {key: " + good + "}\n", "identities.key: is shorter than 16 characters"},
		{"identities: {key: {env: BAYFILL_TEST_NO_SUCH}}\n", "identities.key: environment variable BAYFILL_TEST_NO_SUCH is not set"},
		{"broker: {url: 'tls://x:1', ca_file: " + dir + "/none}\n", "broker.ca_file: open " + dir + "/none: no such file"},
		{"broker: {url: 'tls://x:1', ca_file: " + dir + "/good}\n", "broker.ca_file: " + dir + "/good holds no certificate"},
		{"broker: {users: [{name: a, password: " + good + "}, {name: b, password: {env: BAYFILL_TEST_NO_SUCH}}]}\n", "broker.users[1].password: environment variable BAYFILL_TEST_NO_SUCH is not set"},
		{"broker: {users: [{name: a, password: " + empty + "}]}\n", "broker.users[0].password: it is empty"},
		{"history: {url: 'http://x:1', bucket: b, token: " + none + "}\n", "history.token: " + dir + "/none: no such file"},
	} {
		config, err := Parse([]byte(bridgetest.SmallConfig + c.lines))
		if err != nil {
			t.Fatal(err)
		}
		if err := config.CheckSecrets(); (err == nil) != (c.want == "") || err != nil && !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.lines, err, c.want)
		}
	}
}

// An error never shows a secret that somebody has written into the file by mistake,
// whether it is about the secret or about a key beside it.
func TestSecretsInTheFileAreNotShown(t *testing.T) {
	for _, lines := range []string{
		"broker:\n  url: tcp://x:1\n  username: a\n  password: hunter2\n",
		"broker: {url: 'tcp://x:1', username: a, password: hunter2}\n",
		"broker: {users: [{name: a, may: [read], password: hunter2}]}\n",
		"history:\n  url: http://x:1\n  bucket: b\n  token: \"me:hunter2\"\n",
		"history:\n  url: http://x:1\n  bucket: b\n  token: [hunter2]\n",
		"history:\n  url: http://x:1\n  buckt: b\n  token: hunter2\n",
		"history:\n  token: hunter2\n  buckt: b\n",
		"broker:\n  username: a\n  pasword: hunter2\n",
		"broker:\n  password: hunter2\n  users: 7\n",
		"broker:\n  password: hunter2\n  password: {env: X}\n",
		"broker:\n  password: hunter2\n  url: 'x\n",
		"broker: {url: 'tcp://me:hunter2@x:1'}\n",
		"broker: {url: 'tcp:/me:hunter2@x:1'}\n",
		"broker: {url: 'me:hunter2@x:1'}\n",
		"broker: {url: 'http://me:hunter2@x:1'}\n",
		"broker: {url: 'tcp://me:hunter2@x:bad'}\n",
		"history: {url: 'http://me:hunter2@x:1', bucket: b}\n",
		"history: {url: 'ftp://me:hunter2@x:1', bucket: b}\n",
		"history: {url: 'me:hunter2@x:1', bucket: b}\n",
		"broker: {url: 'wss://x:1/mqtt?token=hunter2'}\n",
		"broker: {url: 'wss://x:1/mqtt#hunter2'}\n",
		"history: {url: 'http://x:1?p=hunter2', bucket: b}\n",
		"history: {url: 'http://x:1?p=hunter2', bukcet: b}\n",
		"history:\n  url: http://me:hunter2@x:1\n  bukcet: b\n",
		// The secret is on the line after its key.
		"broker:\n  url: tcp://x:1\n  password:\n    hunter2\n",
		"broker:\n  url: tcp://x:1\n  password:\n    hunter2: x\n",
		"broker:\n  url: tcp://x:1\n  password:\n  hunter2\n",
		"broker:\n  url: tcp://x:1\n  password:\n\n    # the old one\n    hunter2\n  user: a\n",
		"broker:\n  url: tcp://x:1\n  password:\n    - hunter2\n",
		"broker:\n  password:\n    hunter2\n  users: 7\n",
		"broker:\n  password: one\n    hunter2\n  users: 7\n",
		"broker:\n  password: 'one\n    hunter2\n  users: 7\n",
		"broker:\n  password: |\n    hunter2\n  users: 7\n",
		"broker:\n  password: !!str\n    hunter2\n  users: 7\n",
		"broker:\n  password: &a\n    hunter2\n  users: *b\n",
		"broker:\n  password: [one,\n  hunter2]\n  users: 7\n",
		"broker:\n  password: {hunter2}\n  users: 7\n",
		"broker:\n  password:\n    {hunter2}\n  users: 7\n",
		"broker:\n  password\n    hunter2\n  users: 7\n",
		"broker:\n  password hunter2\n  users: 7\n",
		"broker:\n  password = hunter2\n  users: 7\n",
		"broker:\r\n  password:\r\n    hunter2\r\n  users: 7\r\n",
		"broker:\n  users:\n    - name: a\n      password:\n        hunter2\n      may: [read\n",
		"commands:\n  key:\n    hunter2\n",
		"commands:\n  key:\n    hunter2\nmonitor: 7\n",
		"commands:\n  kye: hunter2\n",
		"# password: hunter2\nmonitor: 7\n",
		"identities: {key: {file: a}, key: hunter2}\n",
		"broker: {users: [{password: {file: a}}, {password: hunter2}]}\n",
	} {
		_, err := Parse([]byte(bridgetest.SmallConfig + lines))
		switch {
		case err == nil:
			t.Errorf("accepted:\n%s", lines)
		case strings.Contains(err.Error(), "hunter2"):
			t.Errorf("the secret is shown:\n%v\nfor\n%s", err, lines)
		case !strings.Contains(err.Error(), "line "):
			t.Errorf("no line: %v", err)
		}
	}
}

// A secret in one of these shapes is never shown, whatever is around it.
func FuzzSecretsInTheFile(f *testing.F) {
	shapes := []string{"\n  password: %s\n", "\n  password:\n    %s\n", "\n  password: |\n    %s\n", "\n- {name: a, token: %s}\n", "\nkey: \"%s\"\n", "\n  key: [a,\n  %s]\n"}
	for shape := range shapes {
		f.Add("broker:", "  users: 7\n", byte(shape))
		f.Add("broker: {users: [", "]}\n", byte(shape))
		f.Add("history:\n  url: 'x", "  bukcet: b\n", byte(shape))
		f.Add("# \"", "\"\n---\n: :", byte(shape))
	}
	f.Fuzz(func(t *testing.T, before, after string, shape byte) {
		text := bridgetest.SmallConfig + before + fmt.Sprintf(shapes[int(shape)%len(shapes)], "hunter-1234-2") + after
		if _, err := Parse([]byte(text)); err != nil && strings.Contains(err.Error(), "hunter-1234-2") {
			t.Fatalf("the secret is shown:\n%v\nfor\n%s", err, text)
		}
	})
}

func TestNearest(t *testing.T) {
	for word, want := range map[string]string{"prot": "port", "capcity_kg": "capacity_kg", "resolution": "resolution_kg", "qqqqqqqqqqqq": ""} {
		if got := typo.Nearest(word, yamlKeys(reflect.TypeFor[Config]())); got != want {
			t.Errorf("nearest to %q is %q, want %q", word, got, want)
		}
	}
}

// Any file is either an error with a text, or a configuration with which a cart can start
// and a job can be opened; never a panic.
func FuzzConfig(f *testing.F) {
	f.Add(bridgetest.SmallConfig)
	f.Add("shop: [")
	f.Add("a: &a [*a]")
	f.Add(strings.Replace(bridgetest.SmallConfig, "name: bay2", "name: bay2\n    caddy: {empty_kg: 2, holds_l: 12}", 1))
	f.Add(strings.Replace(bridgetest.SmallConfig, "density_kg_m3: 850", "model: points, points: [{c: 0, kg_m3: 860}, {c: 80, kg_m3: 810}]", 1))
	f.Add("shop: hilltop\ndata: x\ncarts: [{name: a, sensors: [{name: s, role: caddy, port: p, protocol: line, pattern: '(?P<value>a*)*', capacity_kg: 1, resolution_kg: 0.1}]}]")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := Parse([]byte(text))
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without a text")
			}
			return
		}
		for i := range c.Carts {
			for j := range c.Carts[i].Sensors {
				if _, err := c.Carts[i].Sensors[j].Driver(clock.New(0, 1)); err != nil {
					t.Fatalf("check passed, the sensor cannot be made: %v", err)
				}
			}
			start := fillcalc.Input{Do: fillcalc.DoStart, Setup: c.Carts[i].Setup("", nil)}
			s := fillcalc.Apply(fillcalc.State{}, fillcalc.Event{Kind: fillcalc.KindInput, Input: &start})
			if err := fillcalc.Check(&fillcalc.State{}, &start); err != nil {
				t.Fatalf("check passed, the cart cannot start: %v", err)
			}
			if _, err := json.Marshal(start); err != nil {
				t.Fatalf("check passed, the journal cannot keep the setup: %v", err)
			}
			for j := range c.Fluids {
				fluid := c.Fluids[j].fluid()
				open := fillcalc.Input{Do: fillcalc.DoOpen, Job: &fillcalc.JobSpec{ID: "j", Used: fluid, Fresh: fluid, LowC: 35, HighC: 45, FirstFill: 0.8}}
				if err := fillcalc.Check(&s, &open); err != nil {
					t.Fatalf("check passed, no job can be opened with the fluid: %v", err)
				}
				if _, err := json.Marshal(open); err != nil {
					t.Fatalf("check passed, the journal cannot keep the fluid: %v", err)
				}
			}
		}
	})
}

// A key that is short enough to be found by trying is refused. An empty Secret is no key.
func TestCommandKey(t *testing.T) {
	if key, err := (Secret{}).CommandKey(); key != nil || err != nil {
		t.Errorf("no key: %v, %v", key, err)
	}
	file := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(file, []byte("short"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := (Secret{File: file}).CommandKey(); err == nil || !strings.Contains(err.Error(), "is shorter than 16 characters") {
		t.Errorf("a short key: %v", err)
	}
}
