package cart

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/build"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestUpgradeInMidJob upgrades in the middle of a drain: the old version stops, the new
// one opens the same journal, and the job continues; what ran out meanwhile is weighed.
func TestUpgradeInMidJob(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		defer func(v string) { build.Version = v }(build.Version)
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
		l := startLonely(t, config)
		l.live(5, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(30, 0.03, 0)
		l.live(5, 0, 0)
		l.stop()
		before := newest[wire.Volumes](l, wire.VolumesLeaf)
		if d := float64(before.DrainedL); math.Abs(d-0.9/0.855) > 0.02 {
			t.Fatalf("%.3f L drained before the upgrade", d)
		}

		const missedKg = 0.3
		build.Version = "next"
		time.Sleep(20 * time.Second)
		caddyKg, supplyKg := l.caddyKg+missedKg, l.supplyKg
		l = newLonely(t, config)
		l.caddyKg, l.supplyKg = caddyKg, supplyKg
		l.start()
		l.live(10, 0, 0)
		after, job := newest[wire.Volumes](l, wire.VolumesLeaf), newest[wire.Job](l, wire.JobLeaf)
		if a := newest[wire.About](l, wire.AboutLeaf); a.Version != "next" || job.Job != "job-1" || job.Phase != string(fillcalc.Draining) {
			t.Errorf("version %s, job %s in phase %s", a.Version, job.Job, job.Phase)
		}
		if d := float64(after.DrainedL - before.DrainedL); math.Abs(d-missedKg/0.855) > 0.01 || len(job.Changes) != 0 {
			t.Errorf("drained differs by %g L, changes are %+v", d, job.Changes)
		}
		l.must(`"do":"phase","phase":"filling"`)
		l.live(20, 0, 0.03)
		l.live(5, 0, 0)
		l.must(`"do":"phase","phase":"running","why":"test"`, `"do":"phase","phase":"checking","why":"test"`, `"do":"close","why":"test"`)
		v := newest[wire.Volumes](l, wire.VolumesLeaf)
		if d, a := float64(v.DrainedL), float64(v.AddedL); math.Abs(d-1.2/0.855) > 0.02 || math.Abs(a-0.6/0.843) > 0.02 {
			t.Errorf("in the end drained %.3f L and added %.3f L", d, a)
		}
	})
}
