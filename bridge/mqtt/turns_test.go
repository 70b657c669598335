package mqtt_test

import (
	"context"
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"golang.org/x/net/dns/dnsmessage"

	"bayfill/bridge/mqtt"
)

// keepUntilUsed runs Keep until it has a connection, and returns where that leads to and
// the failures before.
func keepUntilUsed(t *testing.T, urls ...string) (url string, failures []*mqtt.PlaceError) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	mqtt.Keep(ctx, mqtt.Endpoint{URLs: urls}, func(ctx context.Context, c *mqtt.Conn) error {
		url = c.URL()
		cancel()
		return ctx.Err()
	}, func(err *mqtt.PlaceError) { failures = append(failures, err) })
	return url, failures
}

// An address that refuses is left at once, and one that accepts a connection and then
// says nothing is left soon.
func TestKeepTriesTheNextAddress(t *testing.T) {
	mute := startFake(t, func(packets.ControlPacket) packets.ControlPacket { return nil })
	good := startFake(t, healthy)
	const refuses = "tcp://127.0.0.1:1"
	start := time.Now()
	url, failures := keepUntilUsed(t, refuses, mute.url, good.url)
	if took := time.Since(start); url != good.url || took > 4*time.Second {
		t.Errorf("%q after %v", url, took)
	}
	if len(failures) != 2 || failures[0].URL != refuses || failures[1].URL != mute.url || failures[0].Last || failures[1].Last {
		t.Errorf("failures %v", failures)
	}
}

// Each address has a pause of its own, which doubles up to two seconds. Only the failure
// after which no other is due is the last of a round.
func TestEachAddressHasItsPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var at []time.Duration
		var last []bool
		start := time.Now()
		// The library refuses such an address without waiting for a network.
		mqtt.Keep(ctx, mqtt.Endpoint{URLs: []string{"none://a", "none://b"}}, nil, func(err *mqtt.PlaceError) {
			at, last = append(at, time.Since(start).Round(time.Millisecond)), append(last, err.Last)
			if len(at) == 8 {
				cancel()
			}
		})
		if want := []time.Duration{0, 0, time.Second, time.Second, 3 * time.Second, 3 * time.Second, 5 * time.Second, 5 * time.Second}; !slices.Equal(at, want) {
			t.Errorf("attempts at %v, want %v", at, want)
		}
		if want := []bool{false, true, false, true, false, true, false, true}; !slices.Equal(last, want) {
			t.Errorf("last of a round: %v, want %v", last, want)
		}
	})
}

// All addresses of a host are tried, also when the first one accepts connections.
func TestKeepTriesEachAddressOfAHost(t *testing.T) {
	mute := startFake(t, func(packets.ControlPacket) packets.ControlPacket { return nil })
	_, port, _ := net.SplitHostPort(strings.TrimPrefix(mute.url, "tcp://"))
	second, err := net.Listen("tcp", "127.0.0.2:"+port)
	if err != nil {
		t.Skip("no second loopback address: ", err)
	}
	defer second.Close()
	go func() { // ends with the listener
		for {
			conn, err := second.Accept()
			if err != nil {
				return
			}
			if _, err := packets.ReadPacket(conn); err == nil {
				packets.NewControlPacket(packets.Connack).Write(conn)
			}
			defer conn.Close()
		}
	}()
	answerNames(t, netip.MustParseAddr("127.0.0.1"), netip.MustParseAddr("127.0.0.2"))
	url, failures := keepUntilUsed(t, "tcp://cluster.example.test.:"+port)
	if !strings.HasSuffix(url, "(127.0.0.2)") || len(failures) > 1 {
		t.Errorf("%q after %v", url, failures)
	}
}

// answerNames makes every host name stand for some addresses until the test ends.
func answerNames(t *testing.T, ips ...netip.Addr) {
	t.Helper()
	server, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	before := net.DefaultResolver
	net.DefaultResolver = &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "udp", server.LocalAddr().String())
	}}
	ended := make(chan struct{})
	t.Cleanup(func() { server.Close(); <-ended; net.DefaultResolver = before })
	go func() {
		defer close(ended)
		for b := make([]byte, 1500); ; {
			n, from, err := server.ReadFrom(b)
			if err != nil {
				return
			}
			var m dnsmessage.Message
			if m.Unpack(b[:n]) != nil {
				continue
			}
			m.Response, m.Additionals = true, nil
			for _, ip := range ips {
				if q := m.Questions[0]; q.Type == dnsmessage.TypeA {
					m.Answers = append(m.Answers, dnsmessage.Resource{
						Header: dnsmessage.ResourceHeader{Name: q.Name, Type: q.Type, Class: q.Class}, Body: &dnsmessage.AResource{A: ip.As4()},
					})
				}
			}
			if text, err := m.Pack(); err == nil {
				server.WriteTo(text, from)
			}
		}
	}()
}
