package cart

import (
	"encoding/hex"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"unicode/utf8"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/bridge/wire/schema/schematest"
)

// signed returns the signed message for a command.
func signed(key, topic string, counter uint64, command string) string {
	return string(wire.Encode(wire.Signed{Command: command, Counter: counter, MAC: hex.EncodeToString(wire.CommandMAC([]byte(key), topic, counter, command))}))
}

// startSigned starts a cart that accepts commands signed with a key.
func startSigned(t *testing.T, dir string, key config.Secret) *lonely {
	t.Helper()
	c := journaltest.Config(t, dir, bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	c.Commands.Key = key
	l := startLonely(t, c)
	l.live(3, 0, 0)
	return l
}

// refuses checks that the cart refuses a message and stays as it is, and that the reply
// does not contain the key.
func (l *lonely) refuses(why, message string) {
	l.t.Helper()
	before := bridgetest.Bits(l.state)
	r := l.send(message)
	if r.OK || !strings.Contains(r.Error, why) || bridgetest.Bits(l.state) != before {
		l.t.Errorf("%s: %+v, want it refused: %q", message, r, why)
	}
	if strings.Contains(r.Error, bridgetest.CommandKey) {
		l.t.Errorf("the reply reveals the key: %s", r.Error)
	}
}

// TestWrongSignatures checks that a cart with a key refuses unsigned, malformed and
// wrongly signed messages, and that only a valid MAC uses up its counter.
func TestWrongSignatures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const topic = bridgetest.Topics + "commands"
		l := startSigned(t, bridgetest.MemoryDir(t), journaltest.KeyOf(t, bridgetest.CommandKey))
		open := `{"id":"open",` + bridgetest.OpenJob + `}`
		right := signed(bridgetest.CommandKey, topic, 7, open)
		l.refuses("signed: This cart takes signed commands only", open)
		l.refuses("counter: This cart takes", `{"signed":"{}","mac":""}`)
		l.refuses("mac: This cart takes", `{"signed":"{}","counter":1}`)
		l.refuses("by: not a field of a signed command", `{"signed":"{}","counter":1,"mac":"","by":"me"}`)
		l.refuses("Mac: not a field of a signed command", `{"signed":"{}","counter":1,"mac":"","Mac":""}`)
		l.refuses("counter: \"1\" is not a whole number", `{"signed":"{}","counter":"1","mac":""}`)
		l.refuses("counter: 1.5 is not a whole number", `{"signed":"{}","counter":1.5,"mac":""}`)
		l.refuses("counter: -1 is not a whole number", `{"signed":"{}","counter":-1,"mac":""}`)
		l.refuses("counter: 9007199254740992 is above", `{"signed":"{}","counter":9007199254740992,"mac":""}`)
		l.refuses("a command is a JSON object", `[]`)
		l.refuses("mac: It is not", `{"signed":"{}","counter":1,"mac":""}`)
		l.refuses("mac: It is not", `{"signed":"{}","counter":1,"mac":"xyz"}`)
		l.refuses("mac: It is not", signed("another key of some length", topic, 7, open))
		l.refuses("mac: It is not", signed(bridgetest.CommandKey, "bayfill/test/other/commands", 7, open))
		l.refuses("mac: It is not", strings.Replace(right, `"counter":7`, `"counter":8`, 1))
		l.refuses("mac: It is not", strings.Replace(right, "test van", "test car", 1))
		l.refuses("a command is a JSON object", signed(bridgetest.CommandKey, topic, 1, `null`))
		if l.verifier.counter != 1 {
			t.Errorf("the counter is %d after wrong signatures and a right one at 1", l.verifier.counter)
		}
	})
}

// TestSignedCommands checks that a cart with a key does what was signed with it for
// this cart, in order and once; also after restarts, and with another key.
func TestSignedCommands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const topic = bridgetest.Topics + "commands"
		dir, key := bridgetest.MemoryDir(t), journaltest.KeyOf(t, bridgetest.CommandKey)
		l := startSigned(t, dir, key)
		open := `{"id":"open",` + bridgetest.OpenJob + `}`
		right := signed(bridgetest.CommandKey, topic, 7, open)
		if err := schematest.Validate("commands", []byte(right)); err != nil {
			t.Error(err)
		}
		first := l.send(right)
		if !first.OK {
			t.Fatalf("a signed command was refused: %s", first.Error)
		}
		repeated := func() {
			t.Helper()
			before := bridgetest.Bits(l.state)
			for _, m := range []string{right, signed(bridgetest.CommandKey, topic, 9, open)} {
				if r := l.send(m); !r.OK || r.Job != first.Job || bridgetest.Bits(l.state) != before {
					t.Errorf("%s: %+v when sent again", m, r)
				}
			}
		}
		repeated()
		l.refuses("id: This id was used for another command", signed(bridgetest.CommandKey, topic, 10, `{"id":"open","do":"close"}`))
		l.refuses("counter: 10 is not above 10", signed(bridgetest.CommandKey, topic, 10, `{"id":"a","do":"baseline"}`))
		l.refuses("counter: 3 is not above 10", signed(bridgetest.CommandKey, topic, 3, `{"id":"a","do":"baseline"}`))
		// A counter is used up even when the command is refused for another reason.
		early := signed(bridgetest.CommandKey, topic, 11, `{"id":"early","do":"answer","change":1,"as":"fluid"}`)
		l.refuses("change: No change of weight", early)
		l.refuses("counter: 11 is not above 11", early)
		l.stop()

		l = startSigned(t, dir, key)
		repeated()
		l.refuses("counter: 11 is not above 11", early)
		if r := l.send(signed(bridgetest.CommandKey, topic, 12, `{"id":"baseline","do":"baseline"}`)); !r.OK {
			t.Errorf("after a restart: %s", r.Error)
		}
		l.stop()

		const newKey = "the key that follows it, as long"
		l = startSigned(t, dir, journaltest.KeyOf(t, newKey))
		l.refuses("mac: It is not", signed(bridgetest.CommandKey, topic, 13, `{"id":"b","do":"baseline"}`))
		if r := l.send(signed(newKey, topic, 1, `{"id":"c","do":"baseline"}`)); !r.OK {
			t.Errorf("a new key starts its own counter: %s", r.Error)
		}
		l.stop()
		l = startSigned(t, dir, key)
		l.refuses("counter: 12 is not above 12", signed(bridgetest.CommandKey, topic, 12, `{"id":"d","do":"baseline"}`))
		l.stop()
		l = startSigned(t, dir, config.Secret{})
		l.refuses("signed: This cart has no key", signed(bridgetest.CommandKey, topic, 14, `{"id":"e","do":"baseline"}`))
		if r := l.send(`{"id":"f","do":"baseline"}`); !r.OK {
			t.Errorf("without a key: %s", r.Error)
		}
	})
}

// FuzzSigned checks that only a message made with the key for this topic is accepted,
// and that what is signed is verified unchanged.
func FuzzSigned(f *testing.F) {
	topic := bridgetest.Topics + "commands"
	genuine := signed(bridgetest.CommandKey, topic, 1, `{"id":"1","do":"close"}`)
	f.Add([]byte(genuine), uint64(1))
	f.Add([]byte(strings.ToUpper(genuine)), uint64(2))
	f.Add([]byte(strings.Replace(genuine, `"counter":1`, `"counter":1,"counter":2`, 1)), uint64(3))
	f.Add([]byte(`{"signed":"`+strings.Repeat("[", 10000)+`","counter":1,"mac":""}`), uint64(wire.MaxCounter))
	f.Add([]byte("{\"signed\":\"\xff\",\"counter\":1,\"mac\":\"\"}"), uint64(1<<63))
	journal, err := journal.Open(filepath.Join(f.TempDir(), "journal"))
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { journal.Close() })
	f.Fuzz(func(t *testing.T, payload []byte, counter uint64) {
		s := verifier{key: []byte(bridgetest.CommandKey), topic: topic, journal: journal}
		if command, _, err := s.verify(t.Context(), payload); err == nil {
			var m wire.Signed
			if json.Unmarshal(payload, &m) != nil || string(command) != m.Command ||
				strings.ToLower(m.MAC) != hex.EncodeToString(wire.CommandMAC(s.key, topic, m.Counter, m.Command)) {
				t.Fatalf("%q was accepted as %q", payload, command)
			}
		} else if err.Error() == "" || strings.Contains(err.Error(), bridgetest.CommandKey) {
			t.Fatalf("the error is %q", err)
		}
		if id, ok := wire.CommandID(payload); ok && !wire.IDPattern.MatchString(id) {
			t.Fatalf("the id %q passed", id)
		}
		if !utf8.Valid(payload) {
			return // JSON texts are
		}
		s.counter = 0
		command, stale, err := s.verify(t.Context(), []byte(signed(bridgetest.CommandKey, topic, counter, string(payload))))
		switch {
		case counter > wire.MaxCounter:
			if err == nil {
				t.Fatalf("counter %d passed", counter)
			}
		case err != nil, string(command) != string(payload), (stale != nil) != (counter == 0):
			t.Fatalf("%q signed with %d: %q, %v, %v", payload, counter, command, stale, err)
		}
	})
}
