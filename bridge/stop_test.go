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
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"bayfill/fillcalc"
	"bayfill/sim"
)

// A stop under load ends soon and loses nothing, whatever does not answer: the
// promise is 2 s, as far as the disk keeps up.
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
			broker, url := startEmbedded(t, `{listen: "127.0.0.1:0"}`)
			t.Setenv("BAYFILL_TEST_PASSWORD", broker.password)
			p := startProxy(t, url[len("tcp://"):])
			if !c.swallows {
				p.url = "tcp://" + freePort(t)
			}
			config := bareConfig(t, t.TempDir(), fmt.Sprintf("{url: %q, username: %q, password: {env: BAYFILL_TEST_PASSWORD}}", p.url, bridgeUser))
			config.History = HistoryConfig{URL: hangs.URL, Bucket: "b"}
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
			b, stop := runBridgeWith(t, config, Options{Open: open}, nil)
			eventually(t, 10*time.Second, "load", func() bool { return testutil.ToFloat64(b.carts[0].meter.readings) > 200 })
			if c.swallows {
				eventually(t, 10*time.Second, "the connection", b.carts[0].link.connected.Load)
				p.pass(math.MaxInt)
				b.carts[0].link.again()
			}
			if c.diskTakes > 0 {
				release := occupy(t, config.JournalPath("cart"))
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
			for _, e := range eventsIn(t, config.JournalPath("cart")) {
				if e.Kind == fillcalc.KindWeight {
					n++
				}
			}
			if read := testutil.ToFloat64(b.carts[0].meter.readings); n != read {
				t.Errorf("%g of %g readings are on disk", n, read)
			}
		})
	}
}

// Connections to the embedded broker that never say who they are do not hold the
// program up when it is to stop; nor does who comes meanwhile.
func TestStopWithStrangersAtTheBroker(t *testing.T) {
	b, stop := runBridgeWith(t, bareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`), Options{Open: mute}, nil)
	address := b.broker.Address()
	s := subscribe(t, b.BrokerURL(), "", "", everyLeaf()...)
	online(t, s, "")
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
	if took >= connectWithin-time.Second { // 2 s are promised; a machine may be busy with other things
		t.Errorf("stopped after %v", took)
	}
	for _, c := range strangers {
		c.SetReadDeadline(time.Now().Add(10 * time.Second))
		if _, err := c.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("a stranger is still connected: %v", err)
		}
		c.Close()
	}
	if p := read[Presence](s, PresenceLeaf); p.Online {
		t.Errorf("the last presence heard is %+v", p)
	}
}

// An upgrade in the middle of a drain: the old version stops, the new one takes the
// same journal, and the job goes on; what ran out meanwhile is left to be decided.
func TestUpgradeInMidJob(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		defer func(v string) { Version = v }(Version)
		config := lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines)
		l := startLonely(t, config)
		l.live(5, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		l.live(30, 0.03, 0)
		l.live(5, 0, 0)
		l.stop()
		before := newest[VolumesMessage](l, VolumesLeaf)
		if d := float64(before.DrainedL); math.Abs(d-0.9/0.855) > 0.02 {
			t.Fatalf("%.3f L drained before the upgrade", d)
		}

		const missedKg = 0.3
		Version = "next"
		time.Sleep(20 * time.Second)
		caddyKg, supplyKg := l.caddyKg+missedKg, l.supplyKg
		l = newLonely(t, config)
		l.caddyKg, l.supplyKg = caddyKg, supplyKg
		l.start()
		l.live(10, 0, 0)
		after, job := newest[VolumesMessage](l, VolumesLeaf), newest[JobMessage](l, JobLeaf)
		if a := newest[About](l, AboutLeaf); a.Version != "next" || job.Job != "job-1" || job.Phase != string(fillcalc.Draining) {
			t.Errorf("version %s, job %s in phase %s", a.Version, job.Job, job.Phase)
		}
		if d := float64(after.DrainedL - before.DrainedL); math.Abs(d) > 1e-6 || len(job.Undecided) != 1 || math.Abs(float64(job.Undecided[0].Kg)-missedKg) > 0.01 {
			t.Errorf("drained differs by %g L, undecided is %+v", d, job.Undecided)
		}
		l.must(`"do":"decide","step":1,"as":"fluid"`, `"do":"phase","phase":"filling"`)
		l.live(20, 0, 0.03)
		l.live(5, 0, 0)
		l.must(`"do":"phase","phase":"running"`, `"do":"phase","phase":"checking","why":"test"`, `"do":"close"`)
		v := newest[VolumesMessage](l, VolumesLeaf)
		if d, a := float64(v.DrainedL), float64(v.AddedL); math.Abs(d-1.2/0.855) > 0.02 || math.Abs(a-0.6/0.843) > 0.02 {
			t.Errorf("in the end drained %.3f L and added %.3f L", d, a)
		}
	})
}
