package bridge

import (
	"crypto/tls"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/broker"
	"bayfill/bridge/config"
)

// With TLS the bridge connects to its embedded broker, and so do clients that trust the
// authority. Clients without TLS or with another authority are refused, and silent
// connections are closed.
func TestEmbeddedBrokerByTLS(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "oil-and-water")
	dir := t.TempDir()
	caFile, strangeCA := certificate(t, dir, "own"), certificate(t, dir, "stranger")
	section := strings.Replace(bridgetest.EmbeddedUsers, `{listen: "127.0.0.1:0",`,
		`{listen: "127.0.0.1:0", cert_file: "`+caFile+`", key_file: "`+filepath.Join(dir, "own.key")+`",`, 1)

	conf := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines)
	conf.Broker = journaltest.BareConfig(t, t.TempDir(), section).Broker
	b, _ := runBridgeWith(t, conf, Options{Open: bridgetest.Mute}, func(*Bridge) {})
	bridgetest.Eventually(t, 10*time.Second, "the bridge to be in", func() bool { return b.carts[0].Connected() })

	address := b.broker.Address()
	secure := func(ca string) *tls.Config {
		c, err := config.BrokerTLS(ca)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	for _, c := range []struct {
		name, url, ca, password string
		enters                  bool
	}{
		{"board", "tls://" + address, caFile, "oil-and-water", true},
		{"wrong password", "tls://" + address, caFile, "water", false},
		{"wrong authority", "tls://" + address, strangeCA, "oil-and-water", false},
		{"plain text", "tcp://" + address, "", "oil-and-water", false},
	} {
		_, err := bridgetest.Client(t, c.url, "board", c.password, func(o *mqtt.ClientOptions) {
			o.SetConnectTimeout(2 * time.Second)
			if c.ca != "" {
				o.SetTLSConfig(secure(c.ca))
			}
		})
		if (err == nil) != c.enters {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	// A silent connection is closed, as without TLS.
	silent, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	silent.SetReadDeadline(time.Now().Add(broker.ConnectWithin + 5*time.Second))
	if _, err := silent.Read(make([]byte, 1)); err == nil || strings.Contains(err.Error(), "timeout") {
		t.Errorf("a silent connection stays: %v", err)
	}

	for text, want := range map[string]string{
		`{listen: "127.0.0.1:0", ca_file: "` + caFile + `"}`:                            "broker.ca_file: belongs to url",
		`{listen: "127.0.0.1:0", cert_file: "` + caFile + `"}`:                          "broker.cert_file: belongs together",
		`{listen: "127.0.0.1:0", cert_file: "` + caFile + `", key_file: "` + dir + `"}`: "broker.cert_file: ",
	} {
		c, err := config.Parse([]byte(bridgetest.SmallConfig + "broker: " + text + "\n"))
		if err == nil {
			_, err = broker.Start(c.Broker, bridgetest.Log())
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}
