package bridgetest

import (
	"crypto/tls"
	"log/slog"
	"os"
	"strings"
	"sync"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"fmt"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Client makes an MQTT client and connects it. A refused connection is an error; no
// answer fails the test. change, unless it is nil, changes the client's options.
func Client(t testing.TB, url, username, password string, change func(*mqtt.ClientOptions)) (mqtt.Client, error) {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("test-%d", time.Now().UnixNano()))
	o.SetUsername(username).SetPassword(password).SetProtocolVersion(4).SetAutoReconnect(false).SetConnectTimeout(10 * time.Second)
	if change != nil {
		change(o)
	}
	c := mqtt.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(20 * time.Second) {
		t.Fatal("connecting: no answer")
	}
	if token.Error() == nil {
		t.Cleanup(func() { c.Disconnect(0) })
	}
	return c, token.Error()
}

// EmbeddedUsers is the broker's section of a configuration, with one user of each kind.
const EmbeddedUsers = `{listen: "127.0.0.1:0", users: [
    {name: board, password: {env: BAYFILL_TEST_PASSWORD}, may: [read]},
    {name: keypad, password: {env: BAYFILL_TEST_PASSWORD}, may: [command]},
    {name: tablet, password: {env: BAYFILL_TEST_PASSWORD}, may: [read, command]},
    {name: nothing, password: {env: BAYFILL_TEST_PASSWORD}}]}`

// SecureMosquitto starts a broker with the example access list and a password file. Every
// password is "secret".
func SecureMosquitto(t testing.TB) *mosquitto {
	t.Helper()
	return StartMosquitto(t, secured(t, "acl", "bridge", "board", "keypad", "tablet")...)
}

// StartCentre starts the broker of a centre, with the example access list and the user
// office; every password is "secret".
func StartCentre(t testing.TB) *mosquitto {
	t.Helper()
	return StartMosquitto(t, secured(t, "centre.acl", "edge-hilltop", "office", "hotline")...)
}

// StartEdge starts the broker of the shop hilltop, which passes its carts on to a centre.
func StartEdge(t testing.TB, centre string) *mosquitto {
	t.Helper()
	text, err := os.ReadFile(Testdata(t, "mosquitto", "edge.conf"))
	if err != nil {
		t.Fatal(err)
	}
	_, connection, _ := strings.Cut(string(text), "\nconnection")
	connection = strings.NewReplacer("centre.example:8883", centre, "change-me", "secret").Replace("connection" + connection)
	return StartMosquitto(t, append(secured(t, "acl", "bridge", "board", "keypad", "tablet"), connection)...)
}

// secured are lines of a Mosquitto's configuration with an example access list, and a
// password file in which every password is "secret".
func secured(t testing.TB, acl string, users ...string) []string {
	t.Helper()
	passwd := NeedProgram(t, "mosquitto_passwd")
	file := filepath.Join(t.TempDir(), "passwd")
	for i, user := range users {
		args := []string{"-b", file, user, "secret"}
		if i == 0 {
			args = append([]string{"-c"}, args...)
		}
		if out, err := exec.Command(passwd, args...).CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
		}
	}
	return []string{"allow_anonymous false", "password_file " + file, "acl_file " + Testdata(t, "mosquitto", acl)}
}

// Everybody is an access list of an embedded broker that allows everything.
type Everybody struct{ mqttd.HookBase }

// ID names the hook in the broker's log.
func (*Everybody) ID() string { return "everybody" }

// Provides lists the questions that the hook answers.
func (*Everybody) Provides(what byte) bool {
	return what == mqttd.OnConnectAuthenticate || what == mqttd.OnACLCheck
}

// OnConnectAuthenticate allows every client.
func (*Everybody) OnConnectAuthenticate(*mqttd.Client, packets.Packet) bool { return true }

// OnACLCheck allows every topic.
func (*Everybody) OnACLCheck(*mqttd.Client, string, bool) bool { return true }

// closingListener disconnects the clients as the one of package broker does, and for the same
// reason. That package's own tests need this one, so it cannot be imported here.
type closingListener struct {
	*listeners.TCP
	server *mqttd.Server
}

// Close closes the listener and disconnects every client.
func (l *closingListener) Close(listeners.CloseFn) {
	l.TCP.Close(func(string) {
		for _, c := range l.server.Clients.GetAll() {
			l.server.DisconnectClient(c, packets.ErrServerShuttingDown)
		}
	})
}

// StartBroker runs a broker in this process until stop is called or the test ends.
// access decides who may do what; tlsConfig is nil for plain TCP.
func StartBroker(t testing.TB, address string, access mqttd.Hook, tlsConfig *tls.Config) (actual string, stop func()) {
	t.Helper()
	server := mqttd.New(&mqttd.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(access, nil); err != nil {
		t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "test", Address: address, TLSConfig: tlsConfig})
	if err := server.AddListener(&closingListener{listener, server}); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	stop = sync.OnceFunc(func() { server.Close() })
	t.Cleanup(stop)
	return listener.Address(), stop
}
