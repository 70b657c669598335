package attack

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/broker"
)

const leaf = bridgetest.Topics + "volumes"

var onBroker = []attack{
	{does: "a reader leaves a thousand sessions behind, each with a wildcard",
		holds: "a session ends with its connection", try: func(t *testing.T) { leftSessions(t, "board") }},
	{does: "the same without configured users, on loopback",
		holds: "the same", try: func(t *testing.T) { leftSessions(t, "") }},
	{does: "a reader subscribes to 72,000 filters",
		holds: "a client has 256 filters at most, of 256 bytes", try: manyFilters},
	{does: "1,500 connections say nothing",
		holds: "the oldest of them make room for others", try: silentConnections},
	{does: "a reader opens 250 connections",
		holds: "a user has 32, and what is left serves other users and the bridge", try: manyConnections},
	{does: "readers and addresses take all connections",
		holds: "some are kept for users who may command, and the bridge always gets in", by: "bridge/broker.TestShares"},
	{does: "a reader reads nothing of what it subscribed to",
		holds: "its connection ends after 4 MiB, others get everything", try: slowReader},
	{does: "a reader acknowledges nothing of what it receives",
		holds: "its connection ends after 4 MiB", try: neverAcknowledges},
	{does: "a client connects a second time on one connection, or sends what is refused",
		holds: "the connection ends, and neither password nor payload is logged", try: loggedPackets},
	{does: "somebody tries passwords as fast as possible",
		holds: "each wrong one makes the next wait, and is logged with address and user", try: guessing},
	{does: "somebody tries passwords from many addresses",
		holds: "the wait grows for the user too, and never beyond a second", by: "bridge/door.TestGuesses"},
	{does: "a user connects with the client id of another user, or of the bridge",
		holds: "it is refused, and the other one stays", try: takenID},
	{does: "a commanding user leaves retained commands and wills on many topics",
		holds: "nothing of it is retained", try: retainedCommands},
	{does: "a packet is larger than 64 KiB, or its topic holds a zero byte or $SYS",
		holds: "nobody receives it", try: wrongPackets},
	{does: "a user without the right commands through a last will",
		holds: "the connection is refused", by: "bridge/broker.TestWillCannotCommand"},
	{does: "users publish leaves that only a cart publishes, or wills on them",
		holds: "nobody receives them, on both brokers", by: "bridge.TestReadOnlyUserCannotCommand"},
	{does: "a reader subscribes to $SYS, to commands, or to shared filters",
		holds: "it is refused, and nothing is delivered", by: "bridge/broker.TestSubscriptionsOnTheEmbeddedBroker"},
	{does: "a user of one cart reads or commands another one",
		holds: "it is refused, whatever the filter matches", by: "bridge/broker.TestUserOfOneCart"},
	{does: "idle connections while the broker stops",
		holds: "the program ends within a second", by: "bridge/broker.TestIdleConnectionsOfTheEmbeddedBroker"},
}

func leftSessions(t *testing.T, user string) {
	b, _ := startBroker(t)
	if user == "" {
		b = startOpenBroker(t)
	}
	sessions := size(30, 1000)
	for i := range sessions {
		p := dial(t, b.Address())
		if code := p.login(fmt.Sprint("left-", i), user, false); code != 0 {
			t.Fatalf("session %d: code %d", i, code)
		}
		p.send(subscribe("bayfill/#")).read(5 * time.Second)
		p.conn.Close()
	}
	bridge := asBridge(t, b, "cart")
	before := heap()
	for range 2000 {
		bridge.send(publish(1, leaf, strings.Repeat("x", 1000)))
		if first, _ := bridge.read(5 * time.Second); first != 0x40 {
			t.Fatal("a message of the bridge is not acknowledged")
		}
	}
	if grown := heap() - before; grown > 16<<20 {
		t.Errorf("2000 messages of 1 kB for %d sessions that are gone take %d MB", sessions, grown>>20)
	}
	again := dial(t, b.Address())
	again.send(connect("left-0", user, "secret", false))
	if _, body := again.read(5 * time.Second); len(body) != 2 || body[0] != 0 {
		t.Errorf("the session is still there: %v", body)
	}
}

// heap returns how many bytes the program's memory holds.
func heap() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapInuse)
}

func manyFilters(t *testing.T) {
	b, _ := startBroker(t)
	p := served(t, b, "many", "board")
	granted := 0
	for sent := 0; sent < size(2000, 72000); {
		var filters []string
		for range 500 {
			filters = append(filters, fmt.Sprintf("bayfill/s/%d/volumes", sent))
			sent++
		}
		_, codes := p.send(subscribe(filters...)).read(5 * time.Second)
		for _, code := range codes[2:] {
			if code <= 2 {
				granted++
			}
		}
	}
	if granted != 256 {
		t.Errorf("%d filters were granted", granted)
	}
	_, codes := served(t, b, "long", "board").send(subscribe("bayfill/" + strings.Repeat("x", 300))).read(5 * time.Second)
	if len(codes) != 3 || codes[2] <= 2 {
		t.Errorf("a filter of 300 bytes: codes %v", codes)
	}
}

func silentConnections(t *testing.T) {
	b, _ := startBroker(t)
	oldest := dial(t, b.Address())
	for range size(300, 1500) {
		dial(t, b.Address())
	}
	if !oldest.ended(broker.ConnectWithin / 2) { // the time in which each ends by itself
		t.Error("the oldest connection stays")
	}
	served(t, b, "other", "board")
	served(t, b, "keys", "keypad")
	asBridge(t, b, "cart")
}

func manyConnections(t *testing.T) {
	b, _ := startBroker(t)
	in := 0
	for i := range size(50, 253) {
		switch code := dial(t, b.Address()).login(fmt.Sprint("many-", i), "board", true); code {
		case 0:
			in++
		case 3: // "server unavailable": section 3.2.2.3
		default:
			t.Fatalf("connection %d: code %d", i, code)
		}
	}
	if in != 32 {
		t.Errorf("one user has %d connections", in)
	}
	served(t, b, "keys", "keypad")
	asBridge(t, b, "cart")
}

func slowReader(t *testing.T) {
	b, log := startBroker(t)
	slow, quick := served(t, b, "slow", "board"), served(t, b, "quick", "tablet")
	for _, p := range []*peer{slow, quick} {
		p.send(subscribe(leaf)).read(5 * time.Second)
	}
	bridge := asBridge(t, b, "cart")
	const messages = 400 // 24 MB, of which the system's own buffers take a part
	for i := range messages {
		bridge.send(publish(0, leaf, strings.Repeat("x", 60_000)))
		if first, _ := quick.read(10 * time.Second); first>>4 != 3 {
			t.Fatalf("the quick reader gets no message %d", i)
		}
	}
	bridgetest.Eventually(t, 15*time.Second, "the slow reader's connection to end", func() bool {
		return strings.Contains(log.String(), `client is too slow`) && strings.Contains(log.String(), "user=board")
	})
	if !slow.ended(10 * time.Second) {
		t.Error("the slow reader's connection stays")
	}
}

func neverAcknowledges(t *testing.T) {
	b, _ := startBroker(t)
	p := served(t, b, "mute", "board")
	p.send(subscribe(leaf)).read(5 * time.Second)
	bridge := asBridge(t, b, "cart")
	read := 0
	for range 150 { // 9 MB
		bridge.send(publish(1, leaf, strings.Repeat("x", 60_000))).read(5 * time.Second)
		if first, body := p.read(time.Second); first>>4 == 3 {
			read += len(body)
		}
	}
	if read < 3<<20 || read > 5<<20 {
		t.Errorf("the client got %d bytes before its connection ended", read)
	}
}

func loggedPackets(t *testing.T) {
	b, log := startBroker(t)
	p := served(t, b, "twice", "keypad")
	p.send(connect("twice", "keypad", "a second password", true))
	if !p.ended(5 * time.Second) {
		t.Error("a second CONNECT does not end the connection")
	}
	p = served(t, b, "refused", "board")
	p.send(publish(1, bridgetest.Topics+"commands", "a refused payload"))
	if !p.ended(5 * time.Second) {
		t.Error("a refused command does not end the connection")
	}
	p = served(t, b, "will", "keypad")
	p.send(packet(0x30, text("bayfill/#"), []byte("a wrong topic"))).ended(time.Second / 10)
	bridgetest.Eventually(t, 5*time.Second, "the log", func() bool { return strings.Count(log.String(), "error processing packet") >= 2 })
	for _, secret := range []string{"a second password", "a refused payload", "a wrong topic"} {
		asBytes := strings.Trim(fmt.Sprint([]byte(secret)), "[]")
		if strings.Contains(log.String(), secret) || strings.Contains(log.String(), asBytes) {
			t.Errorf("%q is logged: %s", secret, log)
		}
	}
}

func guessing(t *testing.T) {
	t.Parallel()
	b, log := startBroker(t)
	for until := time.Now().Add(time.Duration(size(1500, 5000)) * time.Millisecond); time.Now().Before(until); {
		for range 8 { // in parallel
			dial(t, b.Address()).send(connect("guess", "keypad", "wrong", true))
		}
		time.Sleep(10 * time.Millisecond)
	}
	line := "level=WARN msg=\"login refused\" address=127.0.0.1 user=keypad failures="
	if looked := strings.Count(log.String(), line); looked == 0 || looked > 20 {
		t.Errorf("the broker looked at %d passwords, want a few, each logged as %s", looked, line)
	}
	served(t, b, "other", "board")
	asBridge(t, b, "cart")
}

func takenID(t *testing.T) {
	b, _ := startBroker(t)
	bridge := asBridge(t, b, "cart")
	keypad := served(t, b, "keys", "keypad")
	for id, want := range map[string]byte{"keys": 2, "cart": 2, "own": 0} { // 2 is "identifier rejected"
		if code := dial(t, b.Address()).login(id, "board", true); code != want {
			t.Errorf("a reader with the client id %q: code %d, want %d", id, code, want)
		}
	}
	bridge.conn.Close()
	time.Sleep(100 * time.Millisecond)
	if code := dial(t, b.Address()).login("cart", "board", true); code != 2 {
		t.Errorf("while the bridge is away, a reader has its client id: code %d", code)
	}
	if first, _ := keypad.send([]byte{0xC0, 0}).read(5 * time.Second); first != 0xD0 {
		t.Error("the connection whose client id was tried has ended")
	}
	served(t, b, "keys", "keypad") // of the same user: the usual takeover
	if !keypad.ended(5 * time.Second) {
		t.Error("the older connection of the same user stays")
	}
}

func retainedCommands(t *testing.T) {
	b, _ := startBroker(t)
	p := served(t, b, "keys", "keypad")
	for i := range size(100, 10000) {
		command := publish(1, fmt.Sprintf("bayfill/test/c%d/commands", i), "{}")
		command[0] |= 1 // retain
		if first, _ := p.send(command).read(5 * time.Second); first != 0x40 {
			t.Fatalf("command %d is not acknowledged", i)
		}
	}
	will := dial(t, b.Address())
	will.send(packet(0x10, text("MQTT"), []byte{4, 0xE6, 0, 60}, text("will"), text("bayfill/test/w/commands"), text("{}"), text("keypad"), text("secret"))).read(5 * time.Second)
	will.conn.Close()
	bridge := asBridge(t, b, "cart")
	bridge.send(subscribe("bayfill/+/+/commands")).read(5 * time.Second)
	// The last command may still come live; what was retained bears the flag for it.
	for first, body := bridge.read(200 * time.Millisecond); first != 0; first, body = bridge.read(200 * time.Millisecond) {
		if first&1 == 1 {
			t.Errorf("a command was retained: %s", body)
		}
	}
}

func wrongPackets(t *testing.T) {
	b, _ := startBroker(t)
	bridge := asBridge(t, b, "cart")
	bridge.send(subscribe("bayfill/#", "$SYS/test")).read(5 * time.Second)
	for what, wrong := range map[string][]byte{
		"70 kB":            publish(0, bridgetest.Topics+"commands", strings.Repeat("x", 70_000)),
		"a NUL":            publish(0, "bayfill/te\x00st/cart/commands", "x"),
		"$SYS":             publish(0, "$SYS/test", "x"),
		"no topic":         publish(0, "", "x"),
		"a length of 5":    {0x30, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F},
		"a wrong length":   {0x30, 4, 0, 60, 'x', 'x'},
		"a reserved type":  {0x00, 0},
		"someone's PUBREL": {0x62, 2, 0, 9},
	} {
		p := served(t, b, "wrong", "keypad")
		p.send(wrong)
		p.ended(20 * time.Millisecond)
		if first, body := bridge.read(20 * time.Millisecond); first>>4 == 3 {
			t.Errorf("%s: %.100q was delivered", what, body)
		}
	}
	served(t, b, "right", "keypad").send(publish(0, bridgetest.Topics+"commands", "x"))
	if first, _ := bridge.read(5 * time.Second); first>>4 != 3 {
		t.Error("afterwards a right command does not arrive")
	}
}
