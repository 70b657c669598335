package main

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
)

// What a person can do wrong at a terminal is said in Spanish, with the cause that the operating
// system or the network reports.
func TestErrorsInSpanish(t *testing.T) {
	t.Setenv("BAYFILL_LANG", "es")
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	config := write("bay.yaml", "shop: hilltop\ndata: "+dir+"/data\nfluids: [{name: a, density_kg_m3: 850}]\ncarts: [{name: bay2, sensors: [{name: caddy, role: caddy, port: /dev/x, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}]}]\n")
	bad := write("bad.yaml", "shop: hilltop\ndata: /tmp/x\ncarts: [{name: bay2, sensors: [{name: caddy, role: caddy, port: /dev/x, protocol: modbus, unit_id: 0, capacity_kg: 30, resolution_kg: 0.005}]}]\n")
	script := write("script", "drain\nfly\n")
	recording := write("recording", "# line 9600 8N1\nsoon \"W\"\n")
	empty := write("empty", "")
	study := write("study.yaml", "scale:\n  rate_hz: [10, 0]\n")
	text := write("text.journal", "no journal")
	away := "http://127.0.0.1:1"
	for _, line := range []string{
		"check --config DIR/none.yaml", "check --config DIR", "check --config " + bad, "run --config DIR/none.yaml", "run --config " + bad,
		"budget --config " + config, "budget --config " + config + " --cart bay9", "ports now", "listen DIR/none", "listen " + empty, "listen DIR/none --line fast", "listen",
		"calibrate --config " + config + " --cart bay9", "calibrate --config " + config + " --sensor caddy --point 1", "calibrate --config " + config + " --cart bay2 --sensor none",
		"service-data --dir DIR/none", "service-data", "doctor --config DIR/none.yaml", "schema none", "schema --into " + empty + "/x",
		"board --listen " + taken.Addr().String() + " --shop a", "board --listen 192.0.2.1:80 --shop a", "board --password-file DIR/none --shop a", "board --may-command --shop a",
		"watch --cart bay2", "watch --shop a --cart b --broker tcp://a:b@c", "watch --shop a --cart b --ca-file DIR/none", "watch --shop a --cart b --cert-file x",
		"job clear --shop a --cart b --broker tcp://127.0.0.1:1 --wait 1s", "job clear --shop a --cart b --broker tcp://no.invalid:1 --wait 1s", "job show --shop a --cart b --broker xyz://127.0.0.1:1 --wait 1s",
		"job enter spilled much --shop a --cart b", "job phase --shop a --cart b", "job opne", "job clear --shop a --cart b --wait soon", "job clear --shop a --cart b --command-key-file DIR/none",
		"audit job van --config DIR/none.yaml", "audit job van --journal DIR/none", "audit job van --journal " + text, "audit job van --config " + config, "audit job van --influx-url " + away,
		"audit job van --config " + config + " --opened soon", "audit job van --config " + config + " --key 12", "audit job van --journal x --influx-url " + away, "audit jobs --last -1 --config " + config, "audit fleet --since soon",
		"audit fleet --since 1d --until 2d", "audit fleet --config " + config + " --csv DIR/x.csv", "audit fleet --config " + config + " --html DIR/none/x.html --since 1d", "ticket van --config " + config,
		"stock --config " + config + " --by week", "stock --config " + config + " --since soon", "stock --config " + config + " --units xx", "stock --config " + config + " --lang xx",
		"history export", "history export --job a --format xml", "history export --job a --influx-url " + away, "history fill", "history fill --journal x", "history fill --journal DIR/none --shop a --influx-url " + away,
		"history fill --config " + config + " --cart bay9", "history fill --config " + config, "history keep --influx-url " + away, "history keep --influx-url " + away + " --to-bucket bayfill", "history keep --influx-url " + away + " --to-bucket x",
		"history refused --config " + config, "history refused --config " + config + " --cart bay9", "history erase --config " + config, "history erase --technician Ada --config DIR/none.yaml",
		"demo --chapter drian", "demo --with overdu", "demo --json --board", "demo --dir " + empty, "sim --carts 0 --dir DIR/sim", "sim --script DIR/none", "sim --script " + script, "sim --replay DIR/none", "sim --replay " + recording, "sim --replay " + empty, "sim --replay a --script b",
		"study --jobs 0", "study --job -1", "study --world calm", "study --world calm --job 1", "study --world all --worst 1", "study --distribution " + study, "study --distribution DIR/none", "study --json --job 1", "study --jobs many",
		"help flui", "hepl", "help words zzz", "version now", "completion tcsh",
	} {
		status, out, errors := program(t.Context(), strings.Fields(strings.ReplaceAll(line, "DIR", dir))...)
		if status == 0 {
			t.Errorf("%s: status 0: %s%s", line, out, errors)
		}
		said := out + errors
		if testing.Verbose() {
			t.Logf("%s\n%s", line, said)
		}
		bridgetest.Spanish(t, strings.ReplaceAll(said, dir, ""), "--by", "no.invalid", "--to-bucket", "audit jobs", "journal fill", "--at", "--with", "--jobs", "many", "file is not a database (26)")
	}
}
