package cart

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestDensityIsMeasured weighs a fluid without a data sheet before the job: it is
// listed in about, open knows its name, and it is still there after a restart.
func TestDensityIsMeasured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines)
		l := startLonely(t, config)
		l.live(3, 0, 0)
		refused := func(command, says string) {
			t.Helper()
			if r := l.send(fmt.Sprintf(`{"id":"r%d",%s}`, l.state.Seq, command)); r.OK || !strings.Contains(r.Error, says) {
				t.Errorf("%s: %+v, want %q", command, r, says)
			}
		}
		const open = `"do":"open","fluid":"no sheet","low_c":35,"high_c":45`
		refused(open, `fluid: "no sheet" is no fluid of this cart. It knows fresh, used`)
		refused(`"do":"density","sensor":"supply","fluid":"no sheet","l":1`, "Weigh the full bottle on supply first")
		refused(`"do":"weigh","sensor":"suply"`, `sensor: This cart has no scale "suply"`)
		l.must(`"do":"weigh","sensor":"supply"`)
		refused(`"do":"density","sensor":"supply","fluid":"no sheet","l":1`, "empty the bottle first")
		// 1 L of 850 kg/m³ at 20 °C, less the film that stays in it (0.15 %), and less
		// 0.13 % of buoyancy.
		l.live(17, 0, 0.85*0.9985*0.9987/17)
		l.live(5, 0, 0)
		l.must(`"do":"density","sensor":"supply","fluid":"no sheet","l":1`)
		about := newest[wire.About](l, wire.AboutLeaf)
		if len(about.Measured) != 1 || about.Measured[0].Name != "no sheet" || about.Measured[0].AtC != 20 {
			t.Fatalf("measured: %+v", about.Measured)
		}
		near(t, "density", about.Measured[0].DensityKgM3, 850, 8)
		if u := about.Measured[0].UPct; !(u > 0.1 && u < 2) {
			t.Errorf("u of %v %%", u)
		}
		l.stop()
		l = startLonely(t, config)
		l.live(3, 0, 0)
		if again := newest[wire.About](l, wire.AboutLeaf); !slices.Equal(again.Measured, about.Measured) {
			t.Errorf("after a restart: %+v", again.Measured)
		}
		l.must(open, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.live(5, 0, 0)
		if m := newest[wire.Job](l, wire.JobLeaf); m.Fluid != "no sheet" || m.UsedFluid != "no sheet" {
			t.Errorf("fluids: %s, %s", m.Fluid, m.UsedFluid)
		}
		near(t, "drained", newest[wire.Volumes](l, wire.VolumesLeaf).DrainedL, 1*1.0013/float64(about.Measured[0].DensityKgM3)*1000, 0.02)
		refused(`"do":"weigh","sensor":"caddy"`, "Scale caddy counts for job")
	})
}

// TestBottlesAreEntered counts bottles where no scale stands under the supply.
func TestBottlesAreEntered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(40, 0.05, 0)
		l.live(5, 0, 0)
		l.must(`"do":"phase","phase":"filling"`, `"do":"enter","what":"bottle","l":1,"share":1`, `"do":"enter","what":"bottle","l":1,"share":0.5`)
		m := newest[wire.Job](l, wire.JobLeaf)
		near(t, "added", m.Tally.AddedL, 1.5, 0.0005)
		if names := terms(m.Uncertainty.Added); !slices.Equal(names, []string{"labels"}) || !(m.Tally.AddedUL > 0.01) {
			t.Errorf("± %v L from %v", m.Tally.AddedUL, names)
		}
		near(t, "remaining", m.Tally.RemainingL, 0.8*float64(m.Plan.TargetL)-1.5, 0.0005)
	})
}

// TestBackwardChangeIsAnswered takes something off the caddy more slowly than hands do: the
// alert asks at once, a person answers, and the tally stays as it was. The answer can be
// changed.
func TestBackwardChangeIsAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob)
		l.live(10, 0, 0)
		l.must(`"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.live(20, 0, 0)
		before := newest[wire.Volumes](l, wire.VolumesLeaf)
		l.live(10, -0.04, 0)
		l.live(10, 0, 0)
		m := newest[wire.Job](l, wire.JobLeaf)
		if len(m.Changes) != 1 || m.Changes[0].Cause != string(fillcalc.Backward) || m.Changes[0].As != "" || len(m.Questions) != 0 {
			t.Fatalf("changes: %+v, asked: %+v", m.Changes, m.Questions)
		}
		near(t, "drained while nobody has answered", newest[wire.Volumes](l, wire.VolumesLeaf).DrainedL, float64(before.DrainedL), 0.01)
		if text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["job:change:1"]; !strings.Contains(text, "The caddy's scale became 0.40 kg lighter") {
			t.Errorf("alert %q", text)
		}
		l.must(`"do":"answer","change":1,"as":"thing","by":"mara"`)
		l.live(1, 0, 0)
		near(t, "drained", newest[wire.Volumes](l, wire.VolumesLeaf).DrainedL, float64(before.DrainedL), 0.01)
		if m = newest[wire.Job](l, wire.JobLeaf); m.Changes[0].As != "thing" || m.Changes[0].By != "mara" {
			t.Errorf("answered: %+v", m.Changes)
		}
		if text, there := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["job:change:1"]; there {
			t.Errorf("the alert stays: %s", text)
		}
		l.must(`"do":"answer","change":1,"as":"gone","by":"tom"`)
		l.live(1, 0, 0)
		near(t, "drained if it had come unseen", newest[wire.Volumes](l, wire.VolumesLeaf).DrainedL, float64(before.DrainedL)-0.4/0.8545*1.0013, 0.01)
	})
}

// TestCloseWithAReason checks that a job whose scale has failed can be closed only with a
// reason, and that the tally then says so for good.
func TestCloseWithAReason(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.live(5, 0, 0)
		delete(l.ports, "caddy")
		l.live(10, 0, 0)
		if r := l.send(`{"id":"a","do":"close"}`); r.OK || !r.Insist || r.Refused == nil || r.Refused.Say != "refuse.fault" {
			t.Errorf("closed although the scale has failed: %+v", r)
		}
		l.must(`"do":"close","why":"the cable is torn"`)
		if m := newest[wire.Job](l, wire.JobLeaf); m.Phase != "closed" || m.Why != "the cable is torn" {
			t.Errorf("%s, %q", m.Phase, m.Why)
		}
		v := newest[wire.Volumes](l, wire.VolumesLeaf)
		near(t, "drained", v.DrainedL, 1*1.0013/0.8545, 0.01)
		if v.Quality != "closed although not all was measured: the cable is torn" {
			t.Errorf("quality %q", v.Quality)
		}
	})
}

// TestJobAlertsBeginAndEnd checks that a trouble of a job is an alert while it lasts,
// and no longer.
func TestJobAlertsBeginAndEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines))
		has := func(kind, says string) {
			t.Helper()
			text, there := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))[kind]
			if there != (says != "") || !strings.Contains(text, says) {
				t.Errorf("alert %s is %q, want %q", kind, text, says)
			}
		}
		l.supplyKg = 20
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob+`,"balance_band_l":0.5`, `"do":"phase","phase":"running","why":"only a test"`)
		l.live(10, 0.05, 0.05)
		has("job:balance", "")
		l.live(30, 0.05, 0.02)
		has("job:balance", "less went in than came out, at most 0.50 L is allowed")
		l.live(5, 0, 0)
		has("job:balance", "")
		has("job:caddy", "")
		// The caddy holds 12 L; 10 kg are in it, and it weighs 2.4 kg itself.
		l.live(90, 0.08, 0)
		l.live(5, 0, 0)
		has("job:caddy", "The caddy has room for 0.")
		l.caddyKg = 0 // it is taken away, emptied and put back
		l.live(6, 0, 0)
		if v := newest[wire.Volumes](l, wire.VolumesLeaf); v.QualityCode != "away" || v.QualityOf != "caddy" {
			t.Errorf("without the caddy the quality is %s", v.Quality)
		}
		l.caddyKg = 2.4
		l.live(6, 0, 0)
		has("job:caddy", "")
		l.must(`"do":"close","why":"a test"`)
		if m := newest[wire.Alerts](l, wire.AlertsLeaf); len(m.Alerts) != 0 && slices.ContainsFunc(m.Alerts, func(a wire.Alert) bool { return strings.HasPrefix(a.Kind, "job:") }) {
			t.Errorf("after the job: %+v", m.Alerts)
		}
	})
}
