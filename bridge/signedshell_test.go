package bridge

import (
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
)

// The shell commands in README work with Mosquitto. Without openssl the test computes the MAC;
// the rest is the same.
func TestSignedCommandByShell(t *testing.T) {
	publish := bridgetest.NeedProgram(t, "mosquitto_pub")
	broker := bridgetest.StartMosquitto(t)
	c := journaltest.BareConfig(t, t.TempDir(), `{url: "`+broker.URL+`"}`)
	c.Commands.Key = journaltest.KeyOf(t, bridgetest.CommandKey)
	_, stop := runBridgeWith(t, c, Options{Open: bridgetest.Mute}, nil)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	bridgetest.Online(t, s, "")
	const script = `topic=$1 counter=$2 command=$3
mac=$(printf '%s\n%s\n%s' "$topic" "$counter" "$command" | openssl dgst -sha256 -hmac "$(cat "$KEY")" -r | cut -d' ' -f1)
[ -n "$mac" ] || mac=$MAC
text=$(printf %s "$command" | sed 's/["\\]/\\&/g')
"$PUB" -p "$PORT" -q 1 -t "$topic" -m "{\"signed\":\"$text\",\"counter\":$counter,\"mac\":\"$mac\"}"`
	say := func(counter uint64, command string) {
		t.Helper()
		topic := bridgetest.Topics + "commands"
		cmd := exec.Command("sh", "-c", script, "sh", topic, fmt.Sprint(counter), command)
		cmd.Env = append(os.Environ(), "PUB="+publish, "PORT="+broker.Address[strings.LastIndex(broker.Address, ":")+1:], "KEY="+c.Commands.Key.File)
		if _, err := exec.LookPath("openssl"); err != nil {
			cmd.Env = append(cmd.Env, "MAC="+hex.EncodeToString(wire.CommandMAC([]byte(bridgetest.CommandKey), topic, counter, command)))
		}
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	reply := func(id string) (r wire.Reply) {
		t.Helper()
		bridgetest.Eventually(t, 10*time.Second, "the reply to "+id, func() bool { _, ok := s.Last("replies/" + id); return ok })
		return bridgetest.Read[wire.Reply](s, wire.Leaf("replies/"+id))
	}
	say(1, `{"id":"o",`+strings.Replace(bridgetest.OpenJob, "test van", `van \"7\" \\ ü`, 1)+`}`)
	if r := reply("o"); !r.OK {
		t.Errorf("open: %s", r.Error)
	}
	bridgetest.Eventually(t, 10*time.Second, "the vehicle as it was written", func() bool { return bridgetest.Read[wire.Job](s, wire.JobLeaf).Vehicle == `van "7" \ ü` })
	say(1, `{"id":"a","do":"abandon","why":"replayed"}`)
	if r := reply("a"); r.OK || !strings.HasPrefix(r.Error, "counter: 1 is not above 1") {
		t.Errorf("an old counter: %+v", r)
	}
	stop()
	if done := journaltest.InputsIn(t, c); len(done) != 1 || done["o"] != 1 {
		t.Errorf("done were %v, want o once", done)
	}
}
