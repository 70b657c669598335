package bridge

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
	"bayfill/sim"
)

var clusterKills = flag.Int("cluster-kills", 0, "how often TestClusteredBroker kills a node in the drain and in the fill")

// flowsWithin is how soon state flows again when the cluster's nodes have elected new
// leaders. The election itself takes 4 to 9 s after a node was killed that led something
// (nats-server 2.15, server/raft.go, minElectionTimeoutDefault and maxElectionTimeoutDefault).
const flowsWithin = 5 * time.Second

// A job on a broker of three nodes: the bridge's own is killed in the drain, and in the
// fill the one that leads the retained messages. No fluid that was counted is lost, state
// flows again soon, and every retained leaf is right afterwards.
func TestClusteredBroker(t *testing.T) {
	t.Parallel() // it mostly waits
	const speed, kgPerL = 5, 0.84
	secret := secretFile(t)
	nodes := bridgetest.StartNATS(t)
	urls := `{urls: ["` + strings.Join(bridgetest.URLs(nodes), `", "`) + `"], username: bridge, password: {file: "` + secret + `"}}`
	t.Run("rights", func(t *testing.T) { testRights(t, journaltest.BareConfig(t, t.TempDir(), urls)) })

	rig := bridgetest.NewRig(t, speed)
	c := testConfig(t, rig, t.TempDir(), "", "")
	c.Broker.URLs, c.Broker.Username, c.Broker.Password.File = bridgetest.URLs(nodes), "bridge", secret
	b, stop := runBridgeWith(t, c, Options{Speed: speed}, func(b *Bridge) { b.carts[0].RenewEvery(5 * time.Second) })
	// The reader's node is never killed: its reconnect is not what is measured.
	s := bridgetest.Subscribe(t, nodes[2].URL, "tablet", "secret", bridgetest.EveryLeaf()...)
	bridgetest.Online(t, s, "")
	s.Must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
	rig.Do((*sim.Cart).OpenDrain)
	counted := func(kg float64) {
		bridgetest.Eventually(t, 60*time.Second, "fluid in the caddy", func() bool { return rig.Truth().DrainedKg > kg })
	}
	counted(0.1)
	for range *clusterKills {
		killNode(t, nodes, 0, s)
	}
	counted(0.6)
	rig.Do((*sim.Cart).CloseDrain)
	insist(s, `"do":"phase","phase":"service"`)
	insist(s, `"do":"phase","phase":"filling"`)
	rig.Do(func(c *sim.Cart) { c.StartPour(0.02) })
	for range *clusterKills {
		leads := 0
		if bridgetest.LeaderOf(nodes, "$MQTT_rmsgs") == nodes[1].Name {
			leads = 1 // otherwise the first: the reader's may not be killed
		}
		killNode(t, nodes, leads, s)
	}
	rig.Do((*sim.Cart).StopPour)
	// How well it was measured is judged elsewhere: a machine so loaded that it reads a scale
	// seconds late makes things of fluid. Here what left the pan must be counted or undecided.
	bridgetest.Eventually(t, 60*time.Second, "all fluid", func() bool {
		v, truth := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf), rig.Truth()
		offKg := float64(v.DrainedKg+v.AddedKg) + float64(v.UndecidedL)*kgPerL - truth.DrainedKg - truth.AddedKg
		uKg := math.Hypot(float64(v.DrainedUL), float64(v.AddedUL)) * kgPerL
		return math.Abs(offKg) < 0.03+2*uKg+0.02*float64(v.UndecidedL)
	})
	time.Sleep(8 * time.Second) // a renewal, with all nodes there
	stop()
	late := bridgetest.Subscribe(t, nodes[0].URL, "tablet", "secret", bridgetest.EveryLeaf()...)
	want := b.carts[0].Leaves()
	for _, leaf := range wire.StateLeaves[1:] {
		bridgetest.Eventually(t, 10*time.Second, "retained "+string(leaf), func() bool { _, ok := late.Last("/" + string(leaf)); return ok })
		if m, _ := late.Last("/" + string(leaf)); !m.Retained || string(m.Payload) != want[leaf] {
			t.Errorf("retained %s is\n%s\nthe newest was\n%s", leaf, m.Payload, want[leaf])
		}
	}
}

// secretFile is a file with the password of every user of the tests' brokers.
func secretFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(path, []byte("secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// insist sends a command under one id until it is done, as its sender must where a
// message may get lost.
func insist(s *bridgetest.Subscriber, command string) {
	s.T.Helper()
	for n := 0; ; n++ {
		id := fmt.Sprint("i", time.Now().UnixNano())
		var r wire.Reply
		bridgetest.Eventually(s.T, 60*time.Second, "the reply to "+command, func() bool {
			s.Publish(bridgetest.Topics+"commands", false, `{"id":"`+id+`",`+command+`}`)
			time.Sleep(500 * time.Millisecond)
			m, ok := s.Last("/replies/" + id)
			return ok && json.Unmarshal(m.Payload, &r) == nil
		})
		switch {
		case r.OK:
			return
		case n == 40:
			s.T.Fatalf("%s: %s", command, r.Error)
		}
	}
}

// killNode kills a node, waits until state flows again, and starts the node again.
func killNode(t *testing.T, nodes []*bridgetest.NATSNode, n int, s *bridgetest.Subscriber) {
	t.Helper()
	led := bridgetest.LeaderOf(nodes, "$MQTT_rmsgs") == nodes[n].Name
	nodes[n].Stop(syscall.SIGKILL)
	killed := time.Now()
	elected := time.Duration(0)
	bridgetest.Eventually(t, 60*time.Second, "state after a kill", func() bool {
		if elected == 0 && bridgetest.Elected(nodes) {
			elected = time.Since(killed)
		}
		m, _ := s.Last("/volumes")
		return elected != 0 && m.At.After(killed.Add(300*time.Millisecond))
	})
	took := time.Since(killed)
	t.Logf("%s killed (it led the retained messages: %v): leaders again after %.1f s, state flows after %.1f s", nodes[n].Name, led, elected.Seconds(), took.Seconds())
	if took > elected+flowsWithin {
		t.Errorf("state flows only %v after the cluster has its leaders", took-elected)
	}
	nodes[n].Start()
	bridgetest.Eventually(t, 60*time.Second, "the node's return", func() bool { return bridgetest.Elected(nodes) })
}
