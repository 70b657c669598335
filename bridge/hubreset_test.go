package bridge

import (
	"errors"
	"math"
	"testing"
	"time"
)

// A USB hub that resets takes all sensors away at once, while fluid runs: the
// alerts say so, all come back by themselves, and what ran meanwhile is a step to
// decide, not lost.
func TestHubResetInMidPour(t *testing.T) {
	broker := startMosquitto(t)
	const speed = 5
	rig := testRig(t, speed)
	s := subscribe(t, broker.url, "", "", "bayfill/#")
	runBridge(t, testConfig(t, rig, t.TempDir(), broker.url, ""), speed)
	ready(t, s)
	all := func(do func(name string) error) {
		if err := errors.Join(do("caddy"), do("supply"), do("probe")); err != nil {
			t.Fatal(err)
		}
	}
	steps := 0
	shortJob(t, rig, s, func(phase string) {
		all(rig.Unplug)
		eventually(t, 20*time.Second, "three sensors missing", func() bool {
			missing := 0
			for _, a := range read[AlertsMessage](s, AlertsLeaf).Alerts {
				switch a.Kind {
				case "sensor:caddy", "sensor:supply", "sensor:probe":
					missing++
				}
			}
			return missing == 3
		})
		all(rig.Replug)
		eventually(t, 30*time.Second, "all of them back", func() bool { return sound(read[AlertsMessage](s, AlertsLeaf)) })
		eventually(t, 20*time.Second, "a step to decide", func() bool { return len(read[JobMessage](s, JobLeaf).Undecided) > 0 })
		steps += len(read[JobMessage](s, JobLeaf).Undecided)
		decideAll(s)
	})
	decideAll(s)
	truth := rig.Truth()
	s.must(`"do":"close"`)
	eventually(t, 10*time.Second, "the closed job", func() bool { return read[VolumesMessage](s, VolumesLeaf).Phase == "closed" })
	v := read[VolumesMessage](s, VolumesLeaf)
	t.Logf("%d steps; drained %.3f L, added %.3f L", steps, v.DrainedL, v.AddedL)
	for _, c := range []struct {
		name        string
		says, truly float64
	}{{"drained", float64(v.DrainedL), truth.DrainedL(testUsed, 20)}, {"added", float64(v.AddedL), truth.AddedL(testFresh, 20)}} {
		if d := c.says - c.truly; !(math.Abs(d) <= 0.02) {
			t.Errorf("%s %.4f L is %+.4f L from the truth", c.name, c.says, d)
		}
	}
}
