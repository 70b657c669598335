package cart

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// shopConfig is the configuration of a cart in a shop with service data van6.
func shopConfig(t *testing.T) *config.Config {
	c := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines)
	c.ServiceData = t.TempDir()
	text := strings.Replace(bridgetest.SmallServiceData, "fluid: amber", "fluid: fresh", 1)
	if err := os.WriteFile(filepath.Join(c.ServiceData, "van6.yaml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return c
}

// shortJob does a job in which so much runs out, and as much is poured.
func (l *lonely) shortJob(seconds float64) {
	l.must(`"do":"open","service_data":"van6"`, `"do":"phase","phase":"draining"`)
	l.live(seconds, 0.1, 0)
	l.live(10, 0, 0)
	l.must(`"do":"phase","phase":"service"`)
	l.live(6, 0, 0)
	l.must(`"do":"phase","phase":"filling"`)
	l.live(6, 0, 0)
	l.live(seconds, 0, 0.1)
	l.live(10, 0, 0)
	l.must(`"do":"phase","phase":"running"`)
	l.live(6, 0, 0)
	l.must(`"do":"phase","phase":"checking"`, `"do":"record","item":"level","result":"right"`, `"do":"clear"`)
	l.live(8, 0, 0)
	l.must(`"do":"close","why":"a test"`)
	l.caddyKg, l.supplyKg = 3.2, 9.1 // the caddy is emptied, the supply full again
	l.live(6, 0, 0)
}

// pruneAll deletes what the snapshot of a stopped cart covers.
func (l *lonely) pruneAll() {
	l.t.Helper()
	j, err := journal.Open(l.path)
	if err != nil {
		l.t.Fatal(err)
	}
	defer j.Close()
	if _, err := j.Prune(l.t.Context(), time.Now(), l.backlog.snapshotSeq, false); err != nil {
		l.t.Fatal(err)
	}
	if opened, _, err := j.Opened(l.t.Context()); err != nil || len(opened) >= 5 {
		l.t.Errorf("%d jobs are left in the journal (%v)", len(opened), err)
	}
}

// After five closed jobs the cart knows what is usual: choices shows it, the next job's
// opening carries it, and less is noticed before the refill. A restart forgets nothing, also
// when the jobs' own events are deleted.
func TestUsualComesFromClosedJobs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := shopConfig(t)
		l := startLonely(t, config)
		l.live(3, 0, 0)
		for i, seconds := range []float64{30, 31, 29, 30, 30} {
			if d := newest[wire.Choices](l, wire.ChoicesLeaf).ServiceData[0]; d.Jobs != i || !math.IsNaN(float64(d.UsualOutL)) {
				t.Fatalf("after %d jobs: %+v", i, d)
			}
			l.shortJob(seconds)
		}
		// 3 kg shown, 0.13 % of buoyancy; the fluid of 846 kg/m³ at 15 °C has 842.9 at 20 °C.
		const usualL = 3 * 1.0013 / 0.8429
		d := newest[wire.Choices](l, wire.ChoicesLeaf).ServiceData[0]
		if d.Jobs != 5 || d.LevelRightJobs != 5 || d.LevelLowJobs != 0 || !(d.UsualTargetL > 3) {
			t.Errorf("after five jobs: %+v", d)
		}
		near(t, "usual", d.UsualOutL, usualL, 0.005)
		l.stop()
		l.pruneAll()

		l = startLonely(t, config)
		l.live(3, 0, 0)
		if again := newest[wire.Choices](l, wire.ChoicesLeaf).ServiceData[0]; again.UsualOutL != d.UsualOutL || again.Jobs != 5 {
			t.Errorf("after a restart: %+v, was %+v", again, d)
		}
		l.must(`"do":"open","service_data":"van6"`, `"do":"phase","phase":"draining"`)
		l.live(20, 0.1, 0)
		l.live(10, 0, 0)
		l.must(`"do":"phase","phase":"service"`)
		l.live(6, 0, 0)
		m := newest[wire.Job](l, wire.JobLeaf)
		if m.Usual == nil || m.Usual.Jobs != 5 || m.Usual.OutL != d.UsualOutL || m.Usual.UL != d.UsualOutUL {
			t.Errorf("usual in the job: %+v", m.Usual)
		}
		said := noted(&m, fillcalc.NoteUsualLess)
		if !strings.HasPrefix(said, "2.3") || !strings.Contains(said, "usually 3.5") || !strings.Contains(said, "is the rest still in the pan") {
			t.Errorf("said of the little that came out: %q", said)
		}
		l.must(`"do":"abandon","why":"enough seen"`, `"do":"open","fluid":"fresh","low_c":35,"high_c":45`)
		if m := newest[wire.Job](l, wire.JobLeaf); m.Usual != nil {
			t.Errorf("without service data: %+v", m.Usual)
		}
	})
}

// noted returns what a note of the plan says; empty if it is not there.
func noted(m *wire.Job, key string) string {
	for _, n := range m.Plan.Notes {
		if n.Say == key {
			return n.Text
		}
	}
	return ""
}

// A fluid that runs low and a full container for used oil are alerts, with their figures; a
// job on another cart raises them here too.
func TestStockAlerts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := shopConfig(t)
		day := config.Day(time.Now().Add(-time.Hour).Format(time.RFC3339))
		c.Stock = config.Stock{
			Fluids: []config.FluidStock{{Fluid: "fresh", Counted: units.Volume{L: 10}, Date: day, Low: units.Volume{L: 8}}},
			Waste:  &config.Waste{Holds: units.Volume{L: 12}, Emptied: day, Full: units.Volume{L: 9}},
		}
		l := startLonely(t, c)
		alerts := func() (text string) {
			for _, a := range newest[wire.Alerts](l, wire.AlertsLeaf).Alerts {
				text += fmt.Sprintf("%s %v\n", a.Kind, a.Figures)
			}
			return text
		}
		l.live(3, 0, 0)
		if got := alerts(); got != "" {
			t.Errorf("at first: %s", got)
		}
		l.shortJob(30)
		if got := alerts(); !strings.HasPrefix(got, "stock_low:fresh map[left_l:6.4") {
			t.Errorf("after a job: %q", got)
		}
		other := points.Point{AtNs: time.Now().UnixNano(), Fields: points.Fields{"phase": "closed", "fluid": "fresh", "added_l": 1.0, "drained_l": 6.0}}
		l.shop.Add(closing.Of("test", "other", &other))
		time.Sleep(11 * time.Second)
		if got := alerts(); !strings.Contains(got, "stock_low:fresh map[left_l:5.4") || !strings.Contains(got, "waste_full map[collected_l:9.5") {
			t.Errorf("after a job on another cart: %q", got)
		}
	})
}
