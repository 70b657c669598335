package bridge

import (
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
)

// A broker stops and starts every second. In the end every leaf is the newest, no subscriber has
// seen an older one again, and no command is done twice.
func TestFlappingBroker(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	s := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	b, stop := runBridgeWith(t, journaltest.BareConfig(t, t.TempDir(), `{url: "`+broker.URL+`"}`), Options{Speed: 20, Open: bridgetest.Mute}, nil)
	l := b.carts[0]
	bridgetest.Online(t, s, "")
	for range 3 {
		broker.Stop(syscall.SIGKILL)
		time.Sleep(300 * time.Millisecond)
		broker.Start()
		time.Sleep(700 * time.Millisecond)
	}
	now := func() uint64 { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Seq }
	before := now()
	s.Must(bridgetest.OpenJob) // in a job volumes are a sign of life
	bridgetest.Eventually(t, 30*time.Second, "live volumes", func() bool { return now() > before+50 })
	bridgetest.Eventually(t, 20*time.Second, "no alert", func() bool { return !strings.Contains(l.Leaves()[wire.AlertsLeaf], `"broker"`) })
	stop()
	late := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	for _, leaf := range wire.StateLeaves[1:] {
		bridgetest.Eventually(t, 10*time.Second, "the retained "+string(leaf), func() bool {
			m, ok := late.Last("/" + string(leaf))
			return ok && string(m.Payload) == l.Leaves()[leaf]
		})
	}
	bridgetest.NeverBack(t, slices.DeleteFunc(s.All(), func(m bridgetest.Message) bool { return !strings.HasSuffix(m.Topic, "/volumes") }))
}
