package config

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/words"
)

// severalFaults is a file with a fault in each of seven sections and two in an eighth.
const severalFaults = `shop: hilltop
data: /tmp/x
readings: some
fluids:
  - {name: a, density_kg_m3: 850}
  - {name: a, density_kg_m3: 850}
journal: {max_mb: 5}
history: {url: 'http://127.0.0.1:1', buckt: b}
stock: {waste: {holds: 55 gal, full: 60 gal}}
monitor: {listen: '127.0.0.1:9', anywhere: perhaps}
broker:
  users:
    - {name: x, may: [read], carts: [bay3], password: {env: X}}
carts:
  - name: bay2
    sensors:
      - name: caddy
        role: caddy
        port: /dev/ttyX
        protocol: sma
        capacity_kg: heavy
        resolution_kg: 5
`

// All that is wrong with a file is said at once, by line, in the reader's language. What only
// follows is not: that history lacks the bucket behind the misspelt key, or the scale its
// capacity.
func TestSeveralFaults(t *testing.T) {
	_, err := Parse([]byte(severalFaults))
	for language, want := range map[words.Language][]string{
		words.English: {
			`line 3: readings: "some" is not one of off, changes, all`,
			`line 6: fluids[1].name: "a" must not be empty or used twice`,
			"line 7: journal.max_mb: 5 must be from 10 to 1000000: the max size of each cart's journal in megabytes",
			`line 8: unknown key "buckt", did you mean "bucket"?`,
			"line 9: stock.waste.emptied: is missing: say when the container was emptied, as in 2026-01-31",
			"line 9: stock.waste.full: 60 gal is more than the container holds, 55 gal",
			`line 10: "perhaps" must be true or false`,
			`line 13: broker.users[0].carts: "bay3" is not one of the configured carts, which are bay2`,
			`line 21: "heavy" must be a number`,
			"line 22: carts[0] (bay2).sensors[0] (caddy).resolution_kg: 5 must be the step of the scale's display, as in 0.005",
		},
		words.Spanish: {
			`línea 3: readings: "some" no es ninguno de off, changes, all`,
			`línea 6: fluids[1].name: "a" no debe estar vacío ni usarse dos veces`,
			"línea 7: journal.max_mb: 5 debe ir de 10 a 1000000: el tamaño máximo del diario de cada carro, en megabytes",
			`línea 8: clave desconocida "buckt", ¿quería decir "bucket"?`,
			"línea 9: stock.waste.emptied: falta: diga cuándo se vació el recipiente, como 2026-01-31",
			"línea 9: stock.waste.full: 60 gal es más de lo que cabe en el recipiente, 55 gal",
			`línea 10: "perhaps" debe ser true o false`,
			`línea 13: broker.users[0].carts: "bay3" no es ninguno de los carros configurados, que son bay2`,
			`línea 21: "heavy" debe ser un número`,
			"línea 22: carts[0] (bay2).sensors[0] (caddy).resolution_kg: 5 debe ser el escalón de la balanza, como 0.005",
		},
	} {
		var got []string
		for _, fault := range Faults(err) {
			first, _, _ := strings.Cut(words.Reader{Language: language}.Fault(fault), "\n") // the others show the place
			got = append(got, first)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s:\n%s", language, strings.Join(got, "\n"))
		}
	}
	var first *words.Error
	if !errors.As(err, &first) || first.Key != "config.line" {
		t.Errorf("the faults have lost their type: %#v", first)
	}
}

// One fault is told once, whatever misses the value that it is about.
func TestFaultsThatFollow(t *testing.T) {
	const scale = "{name: s, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}"
	config := func(lines ...string) string {
		text := "shop: a\ndata: x\n"
		if !strings.Contains(strings.Join(lines, "\n"), "carts:") {
			text += "carts: [{name: b, sensors: [" + scale + "]}]\n"
		}
		return text + strings.Join(lines, "\n") + "\n"
	}
	sensor := func(fields string) string { return config("carts: [{name: b, sensors: [{" + fields + "}]}]") }
	for _, c := range []struct{ text, want string }{
		{config("carts: 7", "broker: {users: [{name: u, password: {env: X}, carts: [b]}]}"), "must be a list"},
		{config("carts: [{name: B, sensors: ["+scale+"]}]", "broker: {users: [{name: u, password: {env: X}, carts: [b]}]}"), `carts[0].name: "B" must be`},
		{config("carts: [7]"), "must be a group"},
		{config("carts: [{name: b, reference_c: .nan, sensors: ["+scale+"]}]", "fluids: [{name: f, density_kg_m3: 850}]"), "reference_c: NaN"},
		{config("fluids: [{name: f, density_kg_m3: thick}]"), "must be a number"},
		{config("fluids: [7]"), "must be a group"},
		{config("fluids: [{name: f, density_kg_m3: 850, model: oil}]"), `fluids[0].model: "oil" is not one of oil-1980, oil-2004, points`},
		{config("broker: {listen: '0.0.0.0:1', users: 7}"), "must be a list"},
		{config("broker: {url: [7], ca_file: c}"), "must be a text"},
		{config("monitor: {listne: '127.0.0.1:1', anywhere: true}"), `did you mean "listen"?`},
		{config("stock: {waste: {holds: 60, full: 70 L, emptied: 2026-01-05}}"), "holds: "},
		{config("shop: b"), `the key "shop" stands here twice`},
		{sensor("name: s, role: cady, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005"), `"cady" is not one of`},
		{sensor("name: s, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: fine"), "must be a number"},
		{sensor("name: s, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution: 0.005"), `did you mean "resolution_kg"?`},
		{sensor("name: s, role: caddy, port: a, protocol: modbus, type: int16, unit: kg, unit_id: one, capacity_kg: 30, resolution_kg: 0.005"), "must be a whole number"},
		{sensor("name: s, role: caddy, port: a, protocol: line, pattern: counts, kg_per_count: .nan, capacity_kg: 30, resolution_kg: 0.005"), "kg_per_count: "},
	} {
		_, err := Parse([]byte(c.text))
		if faults := Faults(err); len(faults) != 1 || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want only %q, got\n%v\nfor\n%s", c.want, err, c.text)
		}
	}
}

// Of service data too, all is said at once. A file with very many mistakes is refused soon.
func TestSeveralFaultsInServiceData(t *testing.T) {
	text := strings.NewReplacer("typical: 4.2 qt", "typcal: 4.2 qt", "check: dipstick", "check: plug", "high: 113 F", "high: 113", "source: a sheet\n", "").Replace(bridgetest.SmallServiceData)
	_, err := parseServiceData([]byte(text), amber)
	for _, want := range []string{"source: is missing", `did you mean "typical"?`, `check: "plug" is not one of`, "window.high: "} {
		if !strings.Contains(fmt.Sprint(err), want) {
			t.Errorf("%q is not said:\n%v", want, err)
		}
	}
	if n := len(Faults(err)); n != 4 {
		t.Errorf("%d faults:\n%v", n, err)
	}
	many := ""
	for i := range 2000 {
		many += fmt.Sprintf("zz%d: 1\n", i)
	}
	if n := len(Faults(readYAML([]byte(many), new(Config), func() error { t.Error("checked"); return nil }))); n != maxCuts+1 {
		t.Errorf("%d faults", n)
	}
}
