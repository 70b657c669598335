package bridge

import (
	"slices"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/build"
	"bayfill/bridge/discovery"
)

// A tool that finds devices by itself finds the cart on the embedded broker, at once and later;
// without the setting nothing is announced.
func TestCartIsAnnounced(t *testing.T) {
	b, _ := runBridgeWith(t, journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0", discovery: {prefix: home}}`), Options{Open: bridgetest.Mute}, nil)
	all := discovery.Announcements("home", "test", "cart", build.Version)
	for range 2 {
		s := bridgetest.Subscribe(t, b.BrokerURL(), "", "", "home/#")
		bridgetest.Eventually(t, 20*time.Second, "all announcements", func() bool { return len(s.All()) >= len(all) })
		for _, want := range all {
			if !slices.ContainsFunc(s.All(), func(got bridgetest.Message) bool {
				return got.Topic == want.Topic && string(got.Payload) == string(want.Payload)
			}) {
				t.Errorf("%s did not arrive", want.Topic)
			}
		}
	}
}
