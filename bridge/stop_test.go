package bridge

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/broker"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// A stop under load ends soon and loses nothing, whatever does not answer. The promise is 2 s,
// as far as the disk keeps up.
func TestStopEndsSoon(t *testing.T) {
	hangs := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		io.Copy(io.Discard, r.Body) // or it is not noticed that the other end has gone
		<-r.Context().Done()
	}))
	defer hangs.Close()
	for _, c := range []struct {
		name      string
		swallows  bool // the broker; otherwise there is none
		diskTakes time.Duration
	}{
		{"broker away, slow disk", false, 700 * time.Millisecond},
		{"broker that swallows everything", true, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			embedded, err := broker.Start(config.Broker{Listen: "127.0.0.1:0"}, bridgetest.Log())
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { embedded.Close() })
			user, password := embedded.Login()
			t.Setenv("BAYFILL_TEST_PASSWORD", password)
			p := bridgetest.StartProxy(t, embedded.Address())
			if !c.swallows {
				p.URL = "tcp://" + bridgetest.FreePort(t)
			}
			conf := journaltest.BareConfig(t, t.TempDir(), fmt.Sprintf("{url: %q, username: %q, password: {env: BAYFILL_TEST_PASSWORD}}", p.URL, user))
			conf.History = config.History{URL: hangs.URL, Bucket: "b"}
			sending, silence := context.WithCancel(context.Background())
			var instruments sync.WaitGroup
			t.Cleanup(func() { silence(); instruments.Wait() })
			open := func(_, _ string) (io.ReadWriteCloser, error) {
				device, host := sim.NewPipe()
				instruments.Go(func() {
					for sending.Err() == nil {
						device.Write([]byte("3.200 kg\r\n"))
						time.Sleep(5 * time.Millisecond)
					}
				})
				return host, nil
			}
			b, stop := runBridgeWith(t, conf, Options{Open: open}, nil)
			bridgetest.Eventually(t, 10*time.Second, "load", func() bool { return readings(t, b) > 200 })
			if c.swallows {
				bridgetest.Eventually(t, 10*time.Second, "the connection", b.carts[0].Connected)
				p.Pass(math.MaxInt)
				b.carts[0].Command([]byte(`{"id":"again","do":"republish"}`))
			}
			if c.diskTakes > 0 {
				release := journaltest.Occupy(t, conf.JournalPath("cart"))
				time.AfterFunc(c.diskTakes, release)
			}
			began := time.Now()
			stop()
			took := time.Since(began)
			t.Logf("stopped after %.2f s", took.Seconds())
			if took > 8*time.Second { // of a machine that is busy with other things
				t.Errorf("stopped after %v", took)
			}
			n := 0.0
			for _, e := range journaltest.EventsIn(t, conf.JournalPath("cart")) {
				if e.Kind == fillcalc.KindWeight {
					n++
				}
			}
			if read := readings(t, b); n != read {
				t.Errorf("%g of %g readings are on disk", n, read)
			}
		})
	}
}

// Connections to the embedded broker that never authenticate do not delay a stop, nor do
// connections that come meanwhile.
func TestStopWithIdleConnectionsAtTheBroker(t *testing.T) {
	b, stop := runBridgeWith(t, journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`), Options{Open: bridgetest.Mute}, nil)
	address := b.broker.Address()
	s := bridgetest.Subscribe(t, b.BrokerURL(), "", "", bridgetest.EveryLeaf()...)
	bridgetest.Online(t, s, "")
	idle := func() net.Conn {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return nil
		}
		return c
	}
	var strangers []net.Conn
	for range 5 {
		strangers = append(strangers, idle())
	}
	strangers[0].Write([]byte{0x10, 0x40}) // the beginning of one who wants to say it
	var coming sync.WaitGroup
	coming.Go(func() {
		for c := idle(); c != nil; c = idle() {
			c.Close()
			time.Sleep(10 * time.Millisecond)
		}
	})
	time.Sleep(100 * time.Millisecond) // so that the broker has them
	began := time.Now()
	stop()
	took := time.Since(began)
	coming.Wait()
	t.Logf("stopped after %.2f s", took.Seconds())
	if took >= broker.ConnectWithin-time.Second { // 2 s are promised; a machine may be busy with other things
		t.Errorf("stopped after %v", took)
	}
	for _, c := range strangers {
		c.SetReadDeadline(time.Now().Add(10 * time.Second))
		if _, err := c.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("a stranger is still connected: %v", err)
		}
		c.Close()
	}
	if p := bridgetest.Read[wire.Presence](s, wire.PresenceLeaf); p.Online {
		t.Errorf("the last presence heard is %+v", p)
	}
}

// readings returns how many frames the bridge has counted.
func readings(t *testing.T, b *Bridge) (n float64) {
	t.Helper()
	families, err := b.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == "bayfill_readings_total" {
			for _, m := range f.GetMetric() {
				n += m.GetCounter().GetValue()
			}
		}
	}
	return n
}
