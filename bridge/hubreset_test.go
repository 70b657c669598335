package bridge

import (
	"errors"
	"math"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
)

// A USB hub resets and disconnects all sensors at once while fluid runs. The alerts say so, all
// sensors reconnect by themselves, and the fluid that ran meanwhile is a step to decide, not
// lost.
func TestHubResetInMidPour(t *testing.T) {
	broker := bridgetest.StartMosquitto(t)
	const speed = 5
	rig := bridgetest.NewRig(t, speed)
	s := bridgetest.Subscribe(t, broker.URL, "", "", "bayfill/#")
	runBridge(t, testConfig(t, rig, t.TempDir(), broker.URL, ""), speed)
	ready(t, s)
	all := func(do func(name string) error) {
		if err := errors.Join(do("caddy"), do("supply"), do("probe")); err != nil {
			t.Fatal(err)
		}
	}
	shortJob(t, rig, s, func(phase string) {
		all(rig.Unplug)
		bridgetest.Eventually(t, 20*time.Second, "three sensors missing", func() bool {
			missing := 0
			for _, a := range bridgetest.Read[wire.Alerts](s, wire.AlertsLeaf).Alerts {
				switch a.Kind {
				case "sensor:caddy", "sensor:supply", "sensor:probe":
					missing++
				}
			}
			return missing == 3
		})
		all(rig.Replug)
		bridgetest.Eventually(t, 30*time.Second, "all of them back", func() bool { return sound(bridgetest.Read[wire.Alerts](s, wire.AlertsLeaf)) })
	})
	answerAll(s)
	truth := rig.Truth()
	s.Must(`"do":"close","why":"a test"`)
	bridgetest.Eventually(t, 10*time.Second, "the closed job", func() bool { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Phase == "closed" })
	v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
	t.Logf("changes %+v; drained %.3f L, added %.3f L", bridgetest.Read[wire.Job](s, wire.JobLeaf).Changes, v.DrainedL, v.AddedL)
	for _, c := range []struct {
		name        string
		says, truly float64
	}{{"drained", float64(v.DrainedL), truth.DrainedL(bridgetest.UsedFluid, 20)}, {"added", float64(v.AddedL), truth.AddedL(bridgetest.FreshFluid, 20)}} {
		if d := c.says - c.truly; !(math.Abs(d) <= 0.02) {
			t.Errorf("%s %.4f L is %+.4f L from the truth", c.name, c.says, d)
		}
	}
}
