package cart

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/journal"
)

// cost is what an idle cart costs others, a second.
type cost struct{ messages, mqttBytes, points, lineBytes float64 }

// An idle cart costs broker and history nearly nothing, though its scales flicker by a
// step twice a second. The figures are those of testdata/measured/chain.md; run with
// -v to see them.
func TestIdleCartCosts(t *testing.T) {
	for _, c := range []struct {
		readings config.Readings
		between  config.BetweenJobs
		most     cost
	}{
		{config.AllReadings, config.KeepAll, cost{30, 4000, 30, 4000}},
		{config.ChangedReadings, config.KeepMinute, cost{0.3, 80, 0.12, 12}}, // the defaults
		{config.NoReadings, config.KeepNone, cost{0.2, 60, 0, 0}},
	} {
		var got cost
		synctest.Test(t, func(t *testing.T) { got = costOf(t, c.readings, c.between) })
		t.Logf("readings %s, between jobs %s: %.3f messages/s, %.0f B/s on MQTT; %.3f points/s, %.1f B/s of lines",
			c.readings, c.between, got.messages, got.mqttBytes, got.points, got.lineBytes)
		if got.messages > c.most.messages || got.mqttBytes > c.most.mqttBytes || got.points > c.most.points || got.lineBytes > c.most.lineBytes {
			t.Errorf("readings %s, between jobs %s: %+v, at most %+v", c.readings, c.between, got, c.most)
		}
	}
}

// costOf lets an idle cart live for ten minutes and counts what leaves it in the last
// nine. With each message comes its topic, and a renewal of every leaf is added.
func costOf(t *testing.T, readings config.Readings, between config.BetweenJobs) (c cost) {
	conf := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
	conf.Readings, conf.History.BetweenJobs = readings, between
	l := startLonely(t, conf)
	source := rand.New(rand.NewPCG(1, 1))
	flicker := func(seconds int) {
		for range seconds * 2 {
			l.caddyKg, l.supplyKg = 3.2+0.005*float64(source.IntN(2)), 9.1+0.005*float64(source.IntN(2))
			l.celsius = 21.3 + 0.03*float64(source.IntN(2))
			l.live(0.5, 0, 0)
		}
	}
	flicker(60)
	began, since := l.state.Seq, time.Now()
	flicker(540)
	seconds := time.Since(since).Seconds()
	const header = 4 // of an MQTT 3.1.1 PUBLISH: two bytes and the packet id
	l.mu.Lock()
	for _, m := range l.sent {
		if m.at.After(since) {
			c.messages++
			c.mqttBytes += float64(header + 2 + len(l.link.prefix) + len(m.leaf) + len(m.payload))
		}
	}
	l.mu.Unlock()
	c.messages, c.mqttBytes = c.messages/seconds, c.mqttBytes/seconds
	for leaf, payload := range l.link.newest() {
		c.messages += 1 / renewEvery.Seconds()
		c.mqttBytes += float64(header+2+len(l.link.prefix)+len(leaf)+len(payload)) / renewEvery.Seconds()
	}
	l.stop()
	c.points, c.lineBytes = linesOf(t, l.path, began, between)
	c.points, c.lineBytes = c.points/seconds, c.lineBytes/seconds
	return c
}

// linesOf counts the lines, and their bytes, that the history gets of a journal's events
// after one.
func linesOf(t *testing.T, path string, after uint64, between config.BetweenJobs) (points, bytes float64) {
	t.Helper()
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	selected := history.Selection{Between: between}
	for {
		events, lines, err := history.Lines(t.Context(), j, "hilltop", "cart", after, 5000, &selected)
		if err != nil {
			t.Fatal(err)
		}
		if len(events) == 0 {
			return points, bytes
		}
		after = events[len(events)-1].Seq
		points += float64(len(lines))
		for _, line := range lines {
			bytes += float64(len(fmt.Sprintln(line)))
		}
	}
}
