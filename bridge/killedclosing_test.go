package bridge

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/journal"
)

// The bridge is killed while it closes a job: before, while and after the command reaches
// the disk. Sent again under its id, the job is closed exactly once, with one closing
// record, and every job passes its audit. BAYFILL_LONG_TESTS=1 kills it sixty times.
func TestKilledWhileClosing(t *testing.T) {
	rounds := 4
	if os.Getenv("BAYFILL_LONG_TESTS") != "" {
		rounds = 60
	}
	const speed = 10
	broker := bridgetest.StartMosquitto(t)
	rig := bridgetest.NewRig(t, speed)
	data := t.TempDir()
	p := childBridge(t, bridgetest.ConfigText(rig, data, broker.URL, ""), speed)
	p.Start()
	k := newKeypad(t, broker.URL)
	onDisk := 0
	for n := range rounds {
		job := fmt.Sprintf("job-%d", n+1)
		k.do(job+"-open", strings.Replace(bridgetest.OpenJob, "job-1", job, 1))
		settled := false
		for !settled { // a refused close would be no close
			r := k.try(job+"-baseline", `"do":"baseline"`)
			settled = r.OK
		}
		k.send(job+"-close", `"do":"close","why":"a test"`)
		time.Sleep(rand.N(15 * time.Millisecond))
		p.Stop(syscall.SIGKILL)
		j, err := journal.OpenReadOnly(copyJournal(t, data))
		if err != nil {
			t.Fatal(err)
		}
		if _, done, err := j.Answered(job + "-close"); err != nil {
			t.Fatal(err)
		} else if done {
			onDisk++
		}
		j.Close()
		p.Start()
		k.doAgain(job+"-close", `"do":"close","why":"a test"`)
	}
	p.Stop(syscall.SIGKILL)
	t.Logf("of %d kills %d came when the end of the job was on disk", rounds, onDisk)

	path := data + "/cart.journal"
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	closings, err := j.Closings(t.Context())
	if err != nil || len(closings) != rounds {
		t.Errorf("%d closing records of %d jobs, %v", len(closings), rounds, err)
	}
	count := journalInputs{times: map[string]int{}}
	count.read(t, j)
	for n := range rounds {
		job := fmt.Sprintf("job-%d", n+1)
		if times := count.times[job+"-close"]; times != 1 {
			t.Errorf("%s was closed %d times", job, times)
		}
		rec, err := audit.FromJournal(t.Context(), path, "test", "cart", job, 0)
		if err != nil {
			t.Fatal(err)
		}
		if report := audit.Check(rec, audit.Trust{}); !report.SameAndComplete() {
			t.Errorf("%s: %+v", job, report.Findings)
		}
	}
}

// doAgain tries a command that may have been answered, and wants the same answer again.
func (k *keypad) doAgain(id, body string) {
	k.t.Helper()
	k.mu.Lock()
	before, answered := k.done[id]
	delete(k.done, id)
	k.mu.Unlock()
	k.do(id, body)
	k.mu.Lock()
	defer k.mu.Unlock()
	if answered && k.done[id] != before {
		k.t.Errorf("%s was answered %s and %s", id, before, k.done[id])
	}
}
