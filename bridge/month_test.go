package bridge

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
)

// A month with a real broker and a real history, a job every few hours and scales that are read
// day and night: nothing grows. Readings have the times of a month and are sent as fast as the
// cart accepts them.
//
//	go test ./bridge -run TestMonthOnRealServers -v -timeout 60m -soak-days 30
func TestMonthOnRealServers(t *testing.T) {
	const jobs = 8 // a day
	broker, server := bridgetest.StartMosquitto(t), bridgetest.StartInflux(t)
	conf := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	conf.Broker.URL = broker.URL
	conf.History = config.History{URL: server.URL, Bucket: "bayfill/autogen"}
	s := startStream(t, conf, 30*time.Minute)

	// A subscriber like a board, which does not keep the messages.
	var messages, bad atomic.Int64
	var phase atomic.Pointer[string]
	o := mqtt.NewClientOptions().AddBroker(broker.URL).SetClientID("board").SetProtocolVersion(4)
	board := mqtt.NewClient(o)
	if token := board.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	defer board.Disconnect(50)
	board.Subscribe(bridgetest.Topics+"#", 1, func(_ mqtt.Client, m mqtt.Message) {
		messages.Add(1)
		var v struct{ Phase string }
		if err := json.Unmarshal(m.Payload(), &v); err != nil && !strings.HasSuffix(m.Topic(), "/"+string(wire.PresenceLeaf)) {
			bad.Add(1)
		}
		if strings.HasSuffix(m.Topic(), "/"+string(wire.VolumesLeaf)) {
			phase.Store(&v.Phase)
		}
	}).Wait()

	look := func() bridgetest.Footprint {
		f := bridgetest.Footprint{Events: journaltest.EventCount(t, s.Journal())}
		f.HeapKB, f.Goroutines = memory()
		open, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		f.Descriptors = len(open)
		used, err := s.Journal().Used()
		if err != nil {
			t.Fatal(err)
		}
		f.JournalKB = int(used / 1024)
		return f
	}
	var rounds []bridgetest.Footprint
	for n := range max(2, int(*bridgetest.SoakDays*jobs)) {
		s.drain(fmt.Sprintf("job-%d", n))
		bridgetest.Eventually(t, 20*time.Second, "the board to see it drain", func() bool { p := phase.Load(); return p != nil && *p == "draining" })
		s.fill()
		s.live(24*time.Hour/jobs-70*time.Second, 2*time.Second, 0, 0)
		s.settled()
		bridgetest.Eventually(t, time.Minute, "the history to have all but what is kept", func() bool {
			newest := journaltest.CountOf(t, s.Journal(), "SELECT max(seq) FROM event")
			sent, _, err := s.Journal().Sent()
			return err == nil && sent == uint64(newest)
		})
		s.live(10*time.Second, time.Second, 0, 0) // prunes
		s.settled()
		rounds = append(rounds, look())
		if (n+1)%jobs == 0 || *bridgetest.SoakDays < 1 {
			t.Logf("after %d jobs: %+v, %d readings, %d messages", n+1, rounds[n], s.readings, messages.Load())
		}
	}
	// Compared with the second day, or with the first job of a short run.
	first, last := rounds[0], rounds[len(rounds)-1]
	if len(rounds) > 2*jobs {
		first = rounds[2*jobs-1]
	}
	if last.Goroutines > first.Goroutines+maxMoreGoroutines || last.Descriptors > first.Descriptors+2 || last.HeapKB > first.HeapKB+1024 ||
		float64(last.JournalKB) > 1.3*float64(first.JournalKB) || float64(last.Events) > 1.3*float64(first.Events) {
		t.Errorf("from %+v to %+v", first, last)
	}
	if n := server.Points(points.ReadingMeasurement); n < s.readings-100 || bad.Load() > 0 || !s.Connected() {
		t.Errorf("the history has %d of %d readings; %d messages could not be read", n, s.readings, bad.Load())
	}
}
