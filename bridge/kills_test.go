package bridge

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/sim"
)

// keypad sends commands to the test cart. It remembers the answers and the newest leaves over
// all kills.
type keypad struct {
	t      *testing.T
	client mqtt.Client

	mu      sync.Mutex
	sent    map[string]string // payload by id
	done    map[string]string // the reply that said ok, by id
	refused map[string]string // the last reply that did not
	shown   map[string][]byte // the newest of each leaf
	live    int               // volumes that came live so far
}

func newKeypad(t *testing.T, url string) *keypad {
	t.Helper()
	k := &keypad{t: t, sent: map[string]string{}, done: map[string]string{}, refused: map[string]string{}, shown: map[string][]byte{}}
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID("test-keypad").SetProtocolVersion(4)
	k.client = mqtt.NewClient(o)
	if token := k.client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("connecting to %s: %v", url, token.Error())
	}
	t.Cleanup(func() { k.client.Disconnect(50) })
	wanted := map[string]byte{bridgetest.Topics + "replies/+": 1, bridgetest.Topics + "volumes": 1, bridgetest.Topics + "job": 1}
	if token := k.client.SubscribeMultiple(wanted, k.hear); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("subscribing: %v", token.Error())
	}
	return k
}

func (k *keypad) hear(_ mqtt.Client, m mqtt.Message) {
	k.mu.Lock()
	defer k.mu.Unlock()
	leaf := strings.TrimPrefix(m.Topic(), bridgetest.Topics)
	id, reply := strings.CutPrefix(leaf, "replies/")
	if !reply {
		k.shown[leaf] = m.Payload()
		if leaf == "volumes" && !m.Retained() {
			k.live++
		}
		return
	}
	var r wire.Reply
	if err := json.Unmarshal(m.Payload(), &r); err != nil {
		k.t.Errorf("%s: %v", m.Topic(), err)
		return
	}
	if !r.OK {
		k.refused[id] = r.Error
		return
	}
	if before, twice := k.done[id]; twice && before != string(m.Payload()) {
		k.t.Errorf("%s was answered %s and %s", id, before, m.Payload())
	}
	k.done[id] = string(m.Payload())
}

// send sends a command once, whether or not a bridge is connected.
func (k *keypad) send(id, body string) {
	payload := fmt.Sprintf(`{"id":%q,%s}`, id, body)
	k.mu.Lock()
	k.sent[id] = payload
	delete(k.refused, id)
	k.mu.Unlock()
	k.client.Publish(bridgetest.Topics+"commands", 1, false, payload)
}

// try sends a command under its id until it is answered.
func (k *keypad) try(id, body string) (r wire.Reply) {
	k.t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); {
		k.send(id, body)
		for again := time.Now().Add(time.Second); time.Now().Before(again); time.Sleep(5 * time.Millisecond) {
			k.mu.Lock()
			_, done := k.done[id]
			text, refused := k.refused[id]
			k.mu.Unlock()
			if done || refused {
				return wire.Reply{OK: done, Error: text}
			}
		}
	}
	k.t.Fatalf("there is no answer to %s: %s", id, body)
	return r
}

// do tries a command until it is done, since a scale may have to settle first.
func (k *keypad) do(id, body string) {
	k.t.Helper()
	bridgetest.Eventually(k.t, time.Minute, "the command "+body, func() bool {
		r := k.try(id, body)
		if !r.OK && !strings.Contains(r.Error, "not settled") && !strings.Contains(r.Error, "not been heard") {
			k.t.Fatalf("%s: %s: %s", id, body, r.Error)
		}
		return r.OK
	})
}

// leaf decodes the newest message of a leaf.
func leaf[T any](k *keypad, name wire.Leaf) (v T) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if text := k.shown[string(name)]; text != nil {
		if err := json.Unmarshal(text, &v); err != nil {
			k.t.Fatal(err)
		}
	}
	return v
}

// lives waits for the next live message of volumes.
func (k *keypad) lives(long time.Duration) bool {
	count := func() int { k.mu.Lock(); defer k.mu.Unlock(); return k.live }
	for before, end := count(), time.Now().Add(long); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if count() > before {
			return true
		}
	}
	return false
}

// KilledJobs is what a cart has done while its bridge was killed again and again.
type KilledJobs struct {
	Config *config.Config
	Jobs   []string
}

// PlayKilledJobs plays jobs on a simulated cart, with a real broker and a real history, until
// the bridge was killed so many times at random moments. After each job it compares the
// commands and the tally in the journal with the answers and the true flow.
func PlayKilledJobs(t *testing.T, kills int) KilledJobs {
	const speed = 10
	broker, server := bridgetest.StartMosquitto(t), bridgetest.StartInflux(t)
	rig := bridgetest.NewRig(t, speed)
	data := t.TempDir()
	p := childBridge(t, bridgetest.ConfigText(rig, data, broker.URL, server.URL), speed)
	p.Start()
	k := newKeypad(t, broker.URL)
	played := KilledJobs{Config: testConfig(t, rig, data, broker.URL, server.URL)}
	path := played.Config.JournalPath("cart")
	count := journalInputs{times: map[string]int{}}
	began, killed, answers := time.Now(), 0, 0
	for n := 1; killed < kills; n++ {
		job := fmt.Sprintf("job-%d", n)
		do := func(what, body string) { k.do(job+"-"+what, body) }
		before := rig.Truth()
		ctx, enough := context.WithCancel(t.Context())
		var others sync.WaitGroup
		others.Go(func() { killed += killAtRandom(ctx, t, p, k, kills-killed) })
		others.Go(func() { k.chatter(ctx, job) })
		end := func() { enough(); others.Wait() }
		defer end()

		do("open", strings.Replace(bridgetest.OpenJob, "job-1", job, 1))
		do("drain", `"do":"phase","phase":"draining"`)
		// A technician opens the pan and pours only once the scales have been weighed. What
		// was shown before a kill may not be on disk, so the weighing has to last.
		weighed := func(phase string) {
			for range 2 {
				bridgetest.Eventually(t, time.Minute, "the weighing for "+phase, func() bool {
					v := leaf[wire.Volumes](k, wire.VolumesLeaf)
					return k.lives(time.Second) && v.Job == job && v.Phase == phase && v.Quality == "good"
				})
				time.Sleep(time.Second)
			}
		}
		weighed("draining")
		rig.Do((*sim.Cart).OpenDrain)
		bridgetest.Eventually(t, time.Minute, "a kilogram in the caddy", func() bool { return rig.Truth().DrainedKg > before.DrainedKg+1 })
		rig.Do((*sim.Cart).CloseDrain)
		do("fill", `"do":"phase","phase":"filling"`)
		weighed("filling")
		rig.Do(func(c *sim.Cart) { c.StartPour(0.05) })
		bridgetest.Eventually(t, time.Minute, "as much poured in", func() bool {
			now := rig.Truth()
			return now.AddedKg-before.AddedKg > now.DrainedKg-before.DrainedKg
		})
		rig.Do((*sim.Cart).StopPour)
		// A technician does not close the job while the board still shows a flow.
		bridgetest.Eventually(t, time.Minute, "the pour to be over", func() bool {
			v := leaf[wire.Volumes](k, wire.VolumesLeaf)
			return bridgetest.Known(v.AddedLMin) && math.Abs(float64(v.AddedLMin)) < 0.05
		})
		do("clear", `"do":"clear"`)
		for closed, try := false, 0; !closed; try++ {
			if try == 300 {
				t.Fatalf("%s cannot be closed: %s", job, k.refused[job+"-close"])
			}
			for _, c := range leaf[wire.Job](k, wire.JobLeaf).Changes {
				// A change that was shown before the kill may not be on disk.
				if c.As == "" && k.try(fmt.Sprintf("%s-answer-%d-%d", job, c.Change, try), answerOf(c)).OK {
					answers++
				}
			}
			closed = k.try(job+"-close", `"do":"close","why":"a test"`).OK
			k.lives(time.Second)
		}
		end()

		played.Jobs = append(played.Jobs, job)
		j, err := journal.OpenReadOnly(path)
		if err != nil {
			t.Fatal(err)
		}
		count.read(t, j)
		count.check(t, k)
		state, err := j.JobState(t.Context(), job)
		if err != nil {
			t.Fatal(err)
		}
		j.Close()
		truth, v := rig.Truth(), state.Volumes()
		for _, tally := range []struct {
			name          string
			measured, was float64
		}{
			{"drained", v.DrainedL, truth.DrainedL(bridgetest.UsedFluid, 20) - before.DrainedL(bridgetest.UsedFluid, 20)},
			{"added", v.AddedL, truth.AddedL(bridgetest.FreshFluid, 20) - before.AddedL(bridgetest.FreshFluid, 20)},
		} {
			// The same as without a kill: an account is a sum of differences, so the levels in
			// between drop out.
			if d := tally.measured - tally.was; !(math.Abs(d) <= 0.02) || v.UndecidedL != 0 {
				t.Errorf("%s, %d kills so far: %s %.4f L, %+.4f L from the truth; undecided %.4f L", job, killed, tally.name, tally.measured, d, v.UndecidedL)
			}
		}
		if t.Failed() {
			t.FailNow()
		}
		rig.Do((*sim.Cart).EmptyCaddy)
		rig.Do(func(c *sim.Cart) { c.SwapSupply(6) })
		away := rig.Truth().ElapsedS
		bridgetest.Eventually(t, 30*time.Second, "caddy and supply", func() bool { return rig.Truth().ElapsedS > away+25 })
	}
	p.Cmd.Process.Signal(syscall.SIGTERM)
	if err := p.Cmd.Wait(); err != nil {
		t.Errorf("a clean stop ended with %v", err)
	}
	p.Cmd = nil
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	count.read(t, j)
	count.check(t, k)
	t.Logf("%d kills in %d jobs and %v; %d events, %d commands answered, %d changes explained",
		killed, len(played.Jobs), time.Since(began).Round(time.Second), count.seq, len(k.done), answers)
	return played
}

// killAtRandom kills and restarts the bridge until ctx ends or maxKills is reached: half of
// the times during its start, otherwise some time after it is live.
func killAtRandom(ctx context.Context, t *testing.T, p *bridgetest.Process, k *keypad, maxKills int) (kills int) {
	for kills < maxKills {
		wait := rand.N(700 * time.Millisecond)
		if rand.IntN(2) == 0 {
			if !k.lives(time.Minute) && ctx.Err() == nil {
				t.Errorf("the bridge did not come back after a kill")
				return kills
			}
			wait = rand.N(3 * time.Second)
		}
		select {
		case <-ctx.Done():
			return kills
		case <-time.After(wait):
		}
		cmd := p.Cmd
		p.Stop(syscall.SIGKILL)
		if ended := cmd.ProcessState; ended.Exited() {
			t.Errorf("before it was killed the bridge had ended by itself: %v", ended)
			return kills
		}
		kills++
		p.Start()
	}
	return kills
}

// chatter sends commands that are not repeated without an answer: commands that are done,
// commands that are refused, and commands that were done before.
func (k *keypad) chatter(ctx context.Context, job string) {
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-time.After(20*time.Millisecond + rand.N(200*time.Millisecond)):
		}
		switch id := fmt.Sprintf("%s-chatter-%d", job, n); rand.IntN(4) {
		case 0:
			k.send(id+"-refused", `"do":"answer","change":999999,"as":"fluid"`)
		case 1:
			k.mu.Lock()
			var again string
			for done := range k.done { // any
				again = k.sent[done]
				break
			}
			k.mu.Unlock()
			if again != "" {
				k.client.Publish(bridgetest.Topics+"commands", 1, false, again)
			}
		default:
			k.send(id, `"do":"enter","what":"dipstick","share":0.5`)
		}
	}
}

// journalInputs counts how often a journal holds each command.
type journalInputs struct {
	seq   uint64 // read up to here
	times map[string]int
}

func (c *journalInputs) read(t *testing.T, j *journal.Journal) {
	t.Helper()
	events, err := j.Events(t.Context(), c.seq, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		if c.seq++; e.Seq != c.seq {
			t.Fatalf("%s: event %d is at place %d", filepath.Base(t.Name()), e.Seq, c.seq)
		}
		if e.Input != nil && e.Input.ID != "" {
			c.times[e.Input.ID]++
		}
	}
}

// check compares the journal with the answers: it holds every accepted command once, no
// refused one, none twice, and none that was not sent.
func (c *journalInputs) check(t *testing.T, k *keypad) {
	t.Helper()
	k.mu.Lock()
	defer k.mu.Unlock()
	for id := range k.done {
		if n := c.times[id]; n != 1 {
			t.Errorf("%s was answered, and is in the journal %d times", id, n)
		}
		if strings.HasSuffix(id, "-refused") {
			t.Errorf("%s was done", id)
		}
	}
	for id, text := range k.refused {
		if _, done := k.done[id]; !done && c.times[id] != 0 {
			t.Errorf("%s was refused (%s), and is in the journal %d times", id, text, c.times[id])
		}
	}
	for id, n := range c.times {
		if _, sent := k.sent[id]; n > 1 || !sent {
			t.Errorf("%s is in the journal %d times, sent: %v", id, n, sent)
		}
	}
}
