package bridge

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"github.com/goccy/go-yaml"

	"bayfill/bridge/schema"
	"bayfill/bridge/schema/schematest"
)

const testKey = "a key of this test, long enough"

// signed is a command in the message that carries it.
func signed(key, topic string, counter uint64, command string) string {
	return string(encode(sealed{command, counter, hex.EncodeToString(commandMAC([]byte(key), topic, counter, command))}))
}

// keyOf writes a key and says where.
func keyOf(t testing.TB, key string) Secret {
	t.Helper()
	file := filepath.Join(t.TempDir(), "command.key")
	if err := os.WriteFile(file, []byte(key+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return Secret{File: file}
}

// The code is the one that the contract's example shows, which was computed by
// OpenSSL 3.0: openssl dgst -sha256 -hmac 0123456789abcdef0123456789abcdef
func TestSignatureOfTheContractsExample(t *testing.T) {
	text, err := schema.File("asyncapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Components struct {
			Messages struct {
				Commands struct {
					Examples []struct {
						Name    string
						Payload sealed
					}
				}
			}
		}
	}
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	for _, e := range doc.Components.Messages.Commands.Examples {
		if e.Name != "signed" {
			continue
		}
		mac := commandMAC([]byte("0123456789abcdef0123456789abcdef"), "bayfill/hilltop/bay2/commands", e.Payload.Counter, e.Payload.Signed)
		if e.Payload.MAC != hex.EncodeToString(mac) {
			t.Errorf("the example has %s, it would be %x", e.Payload.MAC, mac)
		}
		return
	}
	t.Error("there is no signed example")
}

// A cart with a key does what was signed with it for this cart, in order and
// once; also after restarts, and with another key.
func TestSignedCommands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := memoryDir(t)
		start := func(key Secret) *lonely {
			c := lonelyConfig(t, dir, caddyLines, supplyLines, probeLines)
			c.Commands.Key = key
			l := startLonely(t, c)
			l.live(3, 0, 0)
			return l
		}
		topic := testCart + "commands"
		key := keyOf(t, testKey)
		l := start(key)
		refused := func(why, message string) {
			t.Helper()
			before := bits(l.state)
			r := l.send(message)
			if r.OK || !strings.Contains(r.Error, why) || bits(l.state) != before {
				t.Errorf("%s: %+v, want it refused: %q", message, r, why)
			}
			if strings.Contains(r.Error, testKey) {
				t.Errorf("the reply tells the key: %s", r.Error)
			}
		}
		open := `{"id":"open",` + openTestJob + `}`
		right := signed(testKey, topic, 7, open)
		refused("signed: this cart takes signed commands only", open)
		refused("counter: this cart takes", `{"signed":"{}","mac":""}`)
		refused("mac: this cart takes", `{"signed":"{}","counter":1}`)
		refused("by: not a field of a signed command", `{"signed":"{}","counter":1,"mac":"","by":"me"}`)
		refused("Mac: not a field of a signed command", `{"signed":"{}","counter":1,"mac":"","Mac":""}`)
		refused("counter: a JSON string", `{"signed":"{}","counter":"1","mac":""}`)
		refused("counter: a JSON number 1.5", `{"signed":"{}","counter":1.5,"mac":""}`)
		refused("counter: a JSON number -1", `{"signed":"{}","counter":-1,"mac":""}`)
		refused("counter: 9007199254740992 is above", `{"signed":"{}","counter":9007199254740992,"mac":""}`)
		refused("a command is a JSON object", `[]`)
		refused("mac: it is not", `{"signed":"{}","counter":1,"mac":""}`)
		refused("mac: it is not", `{"signed":"{}","counter":1,"mac":"xyz"}`)
		refused("mac: it is not", signed("another key of some length", topic, 7, open))
		refused("mac: it is not", signed(testKey, "bayfill/test/other/commands", 7, open))
		refused("mac: it is not", strings.Replace(right, `"counter":7`, `"counter":8`, 1))
		refused("mac: it is not", strings.Replace(right, "test van", "test car", 1))
		refused("a command is a JSON object", signed(testKey, topic, 1, `null`))
		if l.seal.counter != 1 {
			t.Errorf("the counter is %d after wrong signatures and a right one at 1", l.seal.counter)
		}

		if err := schematest.Validate("commands", []byte(right)); err != nil {
			t.Error(err)
		}
		first := l.send(right)
		if !first.OK {
			t.Fatalf("a signed command was refused: %s", first.Error)
		}
		repeated := func() {
			t.Helper()
			before := bits(l.state)
			for _, m := range []string{right, signed(testKey, topic, 9, open)} {
				if r := l.send(m); !r.OK || r.Job != first.Job || bits(l.state) != before {
					t.Errorf("%s: %+v when it came again", m, r)
				}
			}
		}
		repeated()
		refused("id: was used for another command", signed(testKey, topic, 10, `{"id":"open","do":"close"}`))
		refused("counter: 10 is not above 10", signed(testKey, topic, 10, `{"id":"a","do":"baseline"}`))
		refused("counter: 3 is not above 10", signed(testKey, topic, 3, `{"id":"a","do":"baseline"}`))
		// What is refused for another reason is used up all the same.
		early := signed(testKey, topic, 11, `{"id":"early","do":"decide","step":1,"as":"fluid"}`)
		refused("step: 1 is not one of", early)
		refused("counter: 11 is not above 11", early)
		l.stop()

		l = start(key)
		repeated()
		refused("counter: 11 is not above 11", early)
		if r := l.send(signed(testKey, topic, 12, `{"id":"baseline","do":"baseline"}`)); !r.OK {
			t.Errorf("after a restart: %s", r.Error)
		}
		l.stop()

		const newKey = "the key that follows it, as long"
		l = start(keyOf(t, newKey))
		refused("mac: it is not", signed(testKey, topic, 13, `{"id":"b","do":"baseline"}`))
		if r := l.send(signed(newKey, topic, 1, `{"id":"c","do":"baseline"}`)); !r.OK {
			t.Errorf("a new key counts anew: %s", r.Error)
		}
		l.stop()
		l = start(key)
		refused("counter: 12 is not above 12", signed(testKey, topic, 12, `{"id":"d","do":"baseline"}`))
		l.stop()
		l = start(Secret{})
		refused("signed: this cart has no key", signed(testKey, topic, 14, `{"id":"e","do":"baseline"}`))
		if r := l.send(`{"id":"f","do":"baseline"}`); !r.OK {
			t.Errorf("without a key: %s", r.Error)
		}
	})
}

// A signer's counters rise within a millisecond too; without a key it leaves
// commands alone.
func TestSigner(t *testing.T) {
	var none *Signer
	if m := string(none.Sign("x", []byte(`{"id":"1"}`))); m != `{"id":"1"}` {
		t.Errorf("no signer makes %s", m)
	}
	if s, err := NewSigner(Secret{}); s != nil || err != nil {
		t.Errorf("no key: %v, %v", s, err)
	}
	if _, err := NewSigner(keyOf(t, "short")); err == nil || !strings.Contains(err.Error(), "is shorter than 16 characters") {
		t.Errorf("a short key: %v", err)
	}
	s, err := NewSigner(keyOf(t, testKey))
	if err != nil {
		t.Fatal(err)
	}
	last := uint64(time.Now().UnixMilli()) - 1
	for range 1000 {
		m, err := parseSealed(s.Sign("x", []byte("{}")))
		if err != nil || m.Counter <= last || m.Counter > mostCounter {
			t.Fatalf("counter %d after %d: %v", m.Counter, last, err)
		}
		last = m.Counter
	}
}

// README's lines for a shell, on Mosquitto. Where there is no openssl, the code is
// worked out here: the rest is the same.
func TestSignedCommandByShell(t *testing.T) {
	publish := needProgram(t, "mosquitto_pub")
	broker := startMosquitto(t)
	c := bareConfig(t, t.TempDir(), `{url: "`+broker.url+`"}`)
	c.Commands.Key = keyOf(t, testKey)
	_, stop := runBridgeWith(t, c, Options{Open: mute}, nil)
	s := subscribe(t, broker.url, "", "", testCart+"#")
	online(t, s, "")
	const script = `topic=$1 counter=$2 command=$3
mac=$(printf '%s\n%s\n%s' "$topic" "$counter" "$command" | openssl dgst -sha256 -hmac "$(cat "$KEY")" -r | cut -d' ' -f1)
[ -n "$mac" ] || mac=$MAC
text=$(printf %s "$command" | sed 's/["\\]/\\&/g')
"$PUB" -p "$PORT" -q 1 -t "$topic" -m "{\"signed\":\"$text\",\"counter\":$counter,\"mac\":\"$mac\"}"`
	say := func(counter uint64, command string) {
		t.Helper()
		topic := testCart + "commands"
		cmd := exec.Command("sh", "-c", script, "sh", topic, fmt.Sprint(counter), command)
		cmd.Env = append(os.Environ(), "PUB="+publish, "PORT="+broker.address[strings.LastIndex(broker.address, ":")+1:], "KEY="+c.Commands.Key.File)
		if _, err := exec.LookPath("openssl"); err != nil {
			cmd.Env = append(cmd.Env, "MAC="+hex.EncodeToString(commandMAC([]byte(testKey), topic, counter, command)))
		}
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	reply := func(id string) (r Reply) {
		t.Helper()
		eventually(t, 10*time.Second, "the reply to "+id, func() bool { _, ok := s.last("replies/" + id); return ok })
		return read[Reply](s, Leaf("replies/"+id))
	}
	say(1, `{"id":"o",`+strings.Replace(openTestJob, "test van", `van \"7\" \\ ü`, 1)+`}`)
	if r := reply("o"); !r.OK {
		t.Errorf("open: %s", r.Error)
	}
	eventually(t, 10*time.Second, "the vehicle as it was written", func() bool { return read[JobMessage](s, JobLeaf).Vehicle == `van "7" \ ü` })
	say(1, `{"id":"a","do":"abandon","why":"replayed"}`)
	if r := reply("a"); r.OK || !strings.HasPrefix(r.Error, "counter: 1 is not above 1") {
		t.Errorf("an old counter: %+v", r)
	}
	stop()
	if done := inputsIn(t, c); len(done) != 1 || done["o"] != 1 {
		t.Errorf("done were %v, want o once", done)
	}
}

// Only what was made with the key for this topic opens, whatever comes; and what
// is signed opens as it was.
func FuzzSealed(f *testing.F) {
	topic := testCart + "commands"
	genuine := signed(testKey, topic, 1, `{"id":"1","do":"close"}`)
	f.Add([]byte(genuine), uint64(1))
	f.Add([]byte(strings.ToUpper(genuine)), uint64(2))
	f.Add([]byte(strings.Replace(genuine, `"counter":1`, `"counter":1,"counter":2`, 1)), uint64(3))
	f.Add([]byte(`{"signed":"`+strings.Repeat("[", 10000)+`","counter":1,"mac":""}`), uint64(mostCounter))
	f.Add([]byte("{\"signed\":\"\xff\",\"counter\":1,\"mac\":\"\"}"), uint64(1<<63))
	journal, err := OpenJournal(filepath.Join(f.TempDir(), "journal"))
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { journal.Close() })
	f.Fuzz(func(t *testing.T, payload []byte, counter uint64) {
		s := seal{key: []byte(testKey), topic: topic, journal: journal}
		if command, _, err := s.open(t.Context(), payload); err == nil {
			var m sealed
			if json.Unmarshal(payload, &m) != nil || string(command) != m.Signed ||
				strings.ToLower(m.MAC) != hex.EncodeToString(commandMAC(s.key, topic, m.Counter, m.Signed)) {
				t.Fatalf("%q opened as %q", payload, command)
			}
		} else if err.Error() == "" || strings.Contains(err.Error(), testKey) {
			t.Fatalf("the error is %q", err)
		}
		if id, ok := commandID(payload); ok && !idPattern.MatchString(id) {
			t.Fatalf("the id %q passed", id)
		}
		if !utf8.Valid(payload) {
			return // JSON texts are
		}
		s.counter = 0
		command, stale, err := s.open(t.Context(), []byte(signed(testKey, topic, counter, string(payload))))
		switch {
		case counter > mostCounter:
			if err == nil {
				t.Fatalf("counter %d passed", counter)
			}
		case err != nil, string(command) != string(payload), (stale != nil) != (counter == 0):
			t.Fatalf("%q signed with %d: %q, %v, %v", payload, counter, command, stale, err)
		}
	})
}
