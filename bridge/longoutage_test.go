package bridge

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/cart"
	"bayfill/bridge/config"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// A week takes some minutes for each of these tests:
//
//	go test ./bridge -run TestBrokerAwayForAWeek -v -timeout 20m -outage-days 7
//	go test ./bridge -run TestHistoryAwayForAWeek -v -timeout 20m -outage-days 7
//	go test ./bridge -run TestJournalAtItsLimit -v -timeout 20m -outage-days 7
var outageDays = flag.Float64("outage-days", 0.1, "how many simulated days broker or history are away, at least 0.1")

// outage returns how long they are away.
func outage() time.Duration { return time.Duration(*outageDays * 24 * float64(time.Hour)) }

// stream sends readings with simulated times to a running cart, in order and as fast as the
// cart accepts them, so that days pass in seconds.
type stream struct {
	*cart.Cart
	t     *testing.T
	stop  func()
	nowNs int64
	first map[string]string // alerts, before it runs

	caddyKg, supplyKg float64
	frames            uint64
	readings, ids     int // so far
}

// startStream starts the cart of a configuration without its ports.
func startStream(t *testing.T, config *config.Config, keep time.Duration) *stream {
	t.Helper()
	s := &stream{t: t, caddyKg: 3.2, supplyKg: 9.1}
	var b *Bridge
	b, s.stop = runBridgeWith(t, config, Options{Open: bridgetest.Mute}, func(b *Bridge) {
		s.Cart = b.carts[0]
		s.Unwire(keep)
		// Ahead of the cart's clock, so that no tick comes in between.
		s.nowNs = s.State().NowNs + int64(time.Hour)
		s.first = s.alertTexts()
	})
	s.Cart = b.carts[0]
	return s
}

// live lets time pass while fluid moves. Each scale sends a weight in every interval, and the
// probe half as many temperatures.
func (s *stream) live(long, every time.Duration, drainKgS, pourKgS float64) {
	give := func(sensor string, kind fillcalc.Kind, value float64, afterNs int64) {
		s.readings++
		s.Feed(fillcalc.Event{AtNs: s.nowNs + afterNs, Kind: kind, Sensor: sensor, N: s.frames, Value: value, Stability: fillcalc.Stable})
	}
	shown := func(kg float64) float64 { return math.Round(kg/0.005) * 0.005 }
	for end := s.nowNs + int64(long); s.nowNs < end; {
		s.nowNs += int64(every)
		s.frames++
		s.caddyKg += drainKgS * every.Seconds()
		s.supplyKg -= pourKgS * every.Seconds()
		give("caddy", fillcalc.KindWeight, shown(s.caddyKg), 0)
		give("supply", fillcalc.KindWeight, shown(s.supplyKg), 1e6)
		if s.frames%2 == 0 {
			give("probe", fillcalc.KindTemperature, 30, 2e6)
		}
	}
}

// settled waits until all sent readings are on disk.
func (s *stream) settled() {
	s.t.Helper()
	bridgetest.Eventually(s.t, time.Minute, "the journal to have all", func() bool {
		var atNs int64
		err := s.Journal().DB.QueryRow("SELECT at_ns FROM event ORDER BY seq DESC LIMIT 1").Scan(&atNs)
		return err == nil && atNs >= s.nowNs
	})
}

// must sends commands that have to succeed, each as the JSON after the id. They go directly
// to the cart, because the broker may be away. After open the scales stand still for a while.
func (s *stream) must(commands ...string) {
	s.t.Helper()
	for _, c := range commands {
		s.ids++
		id := fmt.Sprintf("c%d-%d", s.nowNs, s.ids)
		s.Command(fmt.Appendf(nil, `{"id":%q,%s}`, id, c))
		bridgetest.Eventually(s.t, 10*time.Second, c+" to be done", func() bool {
			_, done, err := s.Journal().Answered(id)
			return done && err == nil
		})
		if strings.Contains(c, `"do":"open"`) {
			s.live(5*time.Second, fast, 0, 0) // the scales are weighed
		}
	}
}

const fast = 200 * time.Millisecond

// drain is the first half of a short job.
func (s *stream) drain(name string) {
	s.t.Helper()
	s.live(5*time.Second, fast, 0, 0)
	s.must(`"do":"open","job":"`+name+`","vehicle":"van","used_fluid":"used","fluid":"fresh","low_c":25,"high_c":45`, `"do":"phase","phase":"draining"`)
	s.live(20*time.Second, fast, 0.05, 0)
	s.live(5*time.Second, fast, 0, 0)
}

// fill is the second half.
func (s *stream) fill() {
	s.t.Helper()
	s.live(5*time.Second, fast, 0, 0)
	s.must(`"do":"phase","phase":"filling"`)
	s.live(20*time.Second, fast, 0, 0.05)
	s.live(5*time.Second, fast, 0, 0)
	s.must(`"do":"close","why":"a test"`)
	s.caddyKg, s.supplyKg = 3.2, 9.1
}

func (s *stream) alertTexts() map[string]string {
	s.t.Helper()
	var m wire.Alerts
	payload := s.Leaves()[wire.AlertsLeaf]
	if payload == "" {
		return nil
	}
	if err := json.Unmarshal([]byte(payload), &m); err != nil {
		s.t.Fatal(err)
	}
	return bridgetest.AlertTexts(m)
}

// memory returns the heap and the number of goroutines of the idle process: the min of
// several samples, since connections come and go.
func memory() (heapKB, goroutines int) {
	heapKB, goroutines = math.MaxInt, math.MaxInt
	for range 3 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		heapKB, goroutines = min(heapKB, int(m.HeapAlloc/1024)), min(goroutines, runtime.NumGoroutine())
		time.Sleep(100 * time.Millisecond)
	}
	return heapKB, goroutines
}

// The max growth from the first seventh of an outage to its end. Connections and timers come
// and go.
const maxGrowthKB, maxMoreGoroutines = 256, 4

// sameMemory lets seven parts of an outage pass and compares the end with the first.
func sameMemory(t *testing.T, part func()) {
	t.Helper()
	var heapKB, goroutines int
	for n := range 7 {
		part()
		heap, routines := memory()
		t.Logf("after %v: %d kB of heap, %d goroutines", outage()*time.Duration(n+1)/7, heap, routines)
		switch {
		case n == 0:
			heapKB, goroutines = heap, routines
		case n == 6 && (heap > heapKB+maxGrowthKB || routines > goroutines+maxMoreGoroutines):
			t.Errorf("from %d to %d kB of heap, from %d to %d goroutines", heapKB, heap, goroutines, routines)
		}
	}
}

// The broker is away for a week while a pan drips. The process uses no more memory than after
// the first day. When the broker is back it receives the newest message of each leaf and no
// older one.
func TestBrokerAwayForAWeek(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	config.Readings = "all"
	config.Broker.URL = broker.URL
	s := startStream(t, config, 1000*time.Hour)
	bay := bridgetest.Subscribe(t, broker.URL, "", "", bridgetest.Topics+"#")
	bridgetest.Online(t, bay, "")
	s.live(time.Minute, time.Second, 0, 0)
	s.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
	s.live(20*time.Second, fast, 0.05, 0)
	bridgetest.Eventually(t, 10*time.Second, "the job to be seen", func() bool { return bridgetest.Read[wire.Volumes](bay, wire.VolumesLeaf).Phase == "draining" })

	broker.Stop(syscall.SIGKILL)
	// A spoonful an hour, slow enough to be a drip.
	hours := max(1, int(outage().Hours()/7))
	sameMemory(t, func() {
		for range hours {
			s.live(time.Minute, fast, 0.0002, 0)
			s.live(outage()/time.Duration(7*hours)-time.Minute, time.Second, 0, 0)
		}
		s.settled()
	})
	drainedKg := s.caddyKg - 3.2

	// From now on every message must be at least as new as the present leaves.
	var heard []bridgetest.Message
	for leaf, payload := range s.Leaves() {
		heard = append(heard, bridgetest.Message{Topic: bridgetest.Topics + string(leaf), Payload: []byte(payload)})
	}
	before, back := len(bay.All()), wire.Timestamp(s.nowNs)
	broker.Start()
	bridgetest.Eventually(t, 30*time.Second, "the cart to be back", func() bool { return s.Connected() })
	for range 10 {
		s.live(time.Minute, time.Second, 0, 0)
		time.Sleep(100 * time.Millisecond)
	}
	s.settled()
	for _, leaf := range wire.StateLeaves {
		bridgetest.Eventually(t, 20*time.Second, "the newest "+string(leaf), func() bool {
			m, ok := bay.Last("/" + string(leaf))
			return ok && string(m.Payload) == s.Leaves()[leaf]
		})
	}
	heard = append(heard, bay.All()[before:]...)
	bridgetest.NeverBack(t, heard)
	fresh := 0
	for _, m := range heard {
		var r struct{ TS string }
		if !strings.HasSuffix(m.Topic, "/"+string(wire.ReadingsLeaf)) {
			continue
		}
		if err := json.Unmarshal(m.Payload, &r); err != nil || r.TS <= back {
			t.Fatalf("at the end of the outage, at %s, came a reading of %s, %v", back, r.TS, err)
		}
		fresh++
	}
	v := bridgetest.Read[wire.Volumes](bay, wire.VolumesLeaf)
	if kg := float64(v.DrainedKg); math.Abs(kg-drainedKg) > 0.03 || v.UndecidedL != 0 || fresh == 0 {
		t.Errorf("%.3f kg are drained, %.3f L undecided; %.3f kg came; %d live readings", kg, v.UndecidedL, drainedKg, fresh)
	}
	t.Logf("%d readings in %v, %d messages after it", s.readings, outage(), len(heard))
}

// front is a proxy before a history that counts what is sent through it.
type front struct {
	t    *testing.T
	to   *httputil.ReverseProxy
	last int64          // event
	got  map[string]int // lines by measurement
}

// ServeHTTP forwards a batch. Events must come in order, each once.
func (f *front) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		f.t.Error(err)
	}
	for line := range strings.Lines(string(body)) {
		measurement, rest, _ := strings.Cut(line, ",")
		f.got[measurement]++
		if measurement != points.ReadingMeasurement && measurement != points.InputMeasurement {
			continue
		}
		seq, err := strconv.ParseInt(rest[strings.LastIndex(rest, "seq=")+4:strings.LastIndex(rest, "i ")], 10, 64)
		if err != nil || seq != f.last+1 {
			f.t.Errorf("event %d came after %d, %v", seq, f.last, err)
		}
		f.last = seq
	}
	r.Body = io.NopCloser(bytes.NewReader(body))
	f.to.ServeHTTP(w, r)
}

// The history is away for a week of readings and jobs. The process uses no more memory than
// after the first day, and the journal grows by the same amount each day. Then all events
// arrive in order, each once.
func TestHistoryAwayForAWeek(t *testing.T) {
	server := bridgetest.StartInflux(t)
	there, err := url.Parse(server.URL)
	if err != nil {
		t.Fatal(err)
	}
	conf := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	address := bridgetest.FreePort(t)
	conf.History = config.History{URL: "http://" + address, Bucket: "bayfill/autogen"}
	s := startStream(t, conf, 1000*time.Hour)
	var sizes []int64
	part := outage() / 7
	sameMemory(t, func() {
		s.drain(fmt.Sprintf("job-%d", len(sizes)))
		s.fill()
		s.live(part-time.Minute, 2*time.Second, 0, 0)
		s.settled()
		used, err := s.Journal().Used()
		if err != nil {
			t.Fatal(err)
		}
		sizes = append(sizes, used)
	})
	events := journaltest.EventCount(t, s.Journal())
	// The size after the first part includes the size of an empty journal.
	perPart := (sizes[6] - sizes[0]) / 6
	for i, used := range sizes {
		if want := sizes[0] + int64(i)*perPart; perPart <= 0 || perPart > sizes[0] || math.Abs(float64(used-want)) > 0.1*float64(want) {
			t.Errorf("after %d parts of the outage the journal takes %d kB: after the first %d, and %d for each", i+1, used/1000, sizes[0]/1000, perPart/1000)
		}
	}
	t.Logf("%d events, %d kB of journal, %d bytes an event", events, sizes[6]/1000, sizes[6]/int64(events))
	if sent, _, err := s.Journal().Sent(); sent != 0 || err != nil {
		t.Fatalf("sent up to %d, %v: it was not away", sent, err)
	}
	if !strings.Contains(s.Leaves()[wire.AlertsLeaf], `"history server does not answer`) {
		t.Errorf("the alerts are %s", s.Leaves()[wire.AlertsLeaf])
	}

	through := &front{t: t, to: httputil.NewSingleHostReverseProxy(there), got: map[string]int{}}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	web := &http.Server{Handler: through}
	var serving sync.WaitGroup
	serving.Go(func() { web.Serve(listener) })
	began := time.Now()
	s.live(time.Minute, time.Second, 0, 0) // life goes on
	s.settled()
	var newest uint64
	bridgetest.Eventually(t, 5*time.Minute, "the history to catch up", func() bool {
		newest = uint64(journaltest.CountOf(t, s.Journal(), "SELECT max(seq) FROM event"))
		sent, _, err := s.Journal().Sent()
		return err == nil && sent == newest
	})
	t.Logf("caught up in %v", time.Since(began))
	s.stop()
	web.Close()
	serving.Wait()
	j := journaltest.Open(t, conf.JournalPath("cart"))
	want := map[string]int{
		points.ReadingMeasurement: journaltest.CountOf(t, j, "SELECT count(*) FROM event WHERE input IS NULL"),
		points.InputMeasurement:   journaltest.CountOf(t, j, "SELECT count(*) FROM event WHERE input IS NOT NULL"),
	}
	for _, m := range []string{points.VolumeMeasurement, points.WindowMeasurement, points.JobMeasurement} {
		want[m] = journaltest.CountOf(t, j, "SELECT count(*) FROM published WHERE measurement = ?", m)
	}
	for m, n := range want {
		if got := server.Points(m); got != n || through.got[m] != n || n == 0 {
			t.Errorf("%s: the journal has %d, %d were sent, the history has %d", m, n, through.got[m], got)
		}
	}
	if n := want[points.ReadingMeasurement] + want[points.InputMeasurement]; uint64(through.last) != newest || n != int(newest) || want[points.ReadingMeasurement] != s.readings {
		t.Errorf("%d events of %d, the last sent is %d; %d of %d readings", n, newest, through.last, want[points.ReadingMeasurement], s.readings)
	}
	if len(want) != len(through.got) {
		t.Errorf("sent were %v", through.got)
	}
}
