package bridge

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire"
	"bayfill/sim"
)

// Broker and history go away in the middle of draining and come back in the middle of
// filling. The history gets the same points as without the outage, and the leaves are those of
// the job's end.
func TestOutagesInMidJob(t *testing.T) {
	broker, server := bridgetest.StartMosquitto(t), bridgetest.StartInflux(t)
	const speed = 10
	rig := bridgetest.NewRig(t, speed)
	data := t.TempDir()
	s := bridgetest.Subscribe(t, broker.URL, "", "", "bayfill/#")
	b, stop := runBridge(t, testConfig(t, rig, data, broker.URL, server.URL), speed)
	own := b.carts[0]
	// The leaves that the cart would publish now, with or without a broker.
	live := func() (v wire.Volumes) {
		if err := json.Unmarshal([]byte(own.Leaves()[wire.VolumesLeaf]), &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	ready(t, s)
	s.Must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
	weighed(t, s, "draining")
	rig.Do((*sim.Cart).OpenDrain)
	// On a loaded machine some of the fluid becomes a change that has to be answered.
	drained := func(v wire.Volumes) wire.Number { return v.DrainedL + v.UndecidedL }
	bridgetest.Eventually(t, 30*time.Second, "a litre", func() bool { return drained(bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)) > 1 })

	broker.Stop(syscall.SIGKILL)
	server.Stop(syscall.SIGKILL)
	bridgetest.Eventually(t, 30*time.Second, "two litres", func() bool { return drained(live()) > 2 })
	rig.Do((*sim.Cart).CloseDrain)
	bridgetest.Eventually(t, 30*time.Second, "a quiet caddy", func() bool {
		v := live()
		return v.Quality == "good" && math.Abs(float64(v.DrainedLMin)) < 0.05
	})
	bridgetest.Eventually(t, 20*time.Second, "both alerts", func() bool {
		text := own.Leaves()[wire.AlertsLeaf]
		return strings.Contains(text, `"broker"`) && strings.Contains(text, `"history"`)
	})
	// The broker is away, so the commands go directly to the cart. One that is refused
	// because a scale has not settled is sent again.
	tries := 0
	bridgetest.Eventually(t, 30*time.Second, "a known supply", func() bool {
		v := live()
		if v.Phase != "filling" {
			tries++
			own.Command(fmt.Appendf(nil, `{"id":"in-the-dark-%d","do":"phase","phase":"filling"}`, tries))
			time.Sleep(200 * time.Millisecond)
		}
		return v.Phase == "filling" && v.Quality == "good"
	})
	undecided := live().UndecidedL
	added := func(v wire.Volumes) wire.Number { return v.AddedL + v.UndecidedL - undecided }
	rig.Do(func(c *sim.Cart) { c.StartPour(0.05) })
	bridgetest.Eventually(t, 30*time.Second, "half a litre", func() bool { return added(live()) > 0.5 })
	broker.Start()
	server.Start()
	bridgetest.Eventually(t, 30*time.Second, "a litre and a half", func() bool { return added(live()) > 1.5 })
	rig.Do((*sim.Cart).StopPour)
	bridgetest.Eventually(t, time.Minute, "a quiet supply, heard by the subscriber", func() bool {
		v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
		return added(v) > 1.4 && v.Quality == "good" && math.Abs(float64(v.AddedLMin)) < 0.05
	})
	bridgetest.Eventually(t, 30*time.Second, "no alerts", func() bool { return sound(bridgetest.Read[wire.Alerts](s, wire.AlertsLeaf)) })

	answerAll(s)
	truth := rig.Truth()
	s.Must(`"do":"close","why":"a test"`)
	bridgetest.Eventually(t, 10*time.Second, "the closed job", func() bool { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Phase == "closed" })
	v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
	if d := float64(v.DrainedL) - truth.DrainedL(bridgetest.UsedFluid, 20); math.Abs(d) > 0.02 {
		t.Errorf("drained %.4f L is %+.4f L from the truth", v.DrainedL, d)
	}
	if d := float64(v.AddedL) - truth.AddedL(bridgetest.FreshFluid, 20); math.Abs(d) > 0.02 {
		t.Errorf("added %.4f L is %+.4f L from the truth", v.AddedL, d)
	}
	late := bridgetest.Subscribe(t, broker.URL, "", "", "bayfill/#")
	bridgetest.Eventually(t, 10*time.Second, "the retained job", func() bool { return bridgetest.Read[wire.Job](late, wire.JobLeaf).Phase == "closed" })
	for _, leaf := range wire.StateLeaves {
		bridgetest.Eventually(t, 10*time.Second, "the retained "+string(leaf), func() bool {
			m, ok := late.Last("/" + string(leaf))
			return ok && string(m.Payload) == own.Leaves()[leaf]
		})
	}
	stop()
	compareHistory(t, data, server)
}
