package bridge

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"

	"bayfill/fillcalc"
)

// fill lets the journal's file not grow any more, as on a full disk; room lets
// it grow again.
func (j *Journal) fill(t *testing.T) (room func()) {
	t.Helper()
	limit := func(pages int) {
		if _, err := j.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
			t.Fatal(err)
		}
	}
	var pages int
	if err := j.db.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	limit(pages)
	return func() { limit(1 << 30) }
}

// When the disk refuses in the middle of a batch, nothing of it is there, what
// was there stays, and with space again the same batch goes in.
func TestJournalFull(t *testing.T) {
	path := t.TempDir() + "/cart.journal"
	j := openTestJournal(t, path)
	mustAppend(t, j, Batch{Events: weights(1, 100)})
	room := j.fill(t)
	large := Batch{Events: weights(101, 5000), Answers: []Answer{{ID: "a", AtNs: 1, Reply: []byte("{}")}}}
	if err := j.Append(t.Context(), large); err == nil || !strings.Contains(err.Error(), "full") {
		t.Fatalf("a full disk took 5000 events: %v", err)
	}
	if events, err := j.Events(t.Context(), 0, 1<<30); err != nil || len(events) != 100 {
		t.Fatalf("%d events stand in the journal, %v; want the 100 of before", len(events), err)
	}
	if _, done, err := j.Answered("a"); done || err != nil {
		t.Errorf("an answer of the refused batch is there (%v)", err)
	}
	room()
	mustAppend(t, j, large)
	if events, err := j.Events(t.Context(), 0, 1<<30); err != nil || len(events) != 5100 {
		t.Errorf("%d events after there was space again, %v", len(events), err)
	}
}

// A cart on a full disk goes on measuring and says what is wrong; commands are
// refused and not done. With space again everything is there, without a gap.
func TestCartOnAFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines))
		l.live(3, 0, 0)
		l.must(openTestJob, `"do":"phase","phase":"draining"`)
		l.live(5, 0.05, 0)
		room := l.journal.fill(t)
		l.live(60, 0.02, 0)
		if text := alertTexts(newest[AlertsMessage](l, AlertsLeaf))["journal"]; !strings.Contains(text, "full") {
			t.Errorf("the alert says %q", text)
		}
		v := newest[VolumesMessage](l, VolumesLeaf)
		if kg := float64(v.DrainedKg); kg < 1.42 || kg > 1.48 {
			t.Errorf("%.3f kg were measured, about 1.45 drained", kg)
		}
		// A command needs space of its own; make sure that there is none.
		r := l.send(`{"id":"late","do":"phase","phase":"service"}`)
		if r.OK || !strings.Contains(r.Error, "not done") {
			t.Errorf("a command was answered %+v on a full disk", r)
		}
		if phase := newest[VolumesMessage](l, VolumesLeaf).Phase; phase != "draining" {
			t.Errorf("the refused command was done: phase %s", phase)
		}
		room()
		l.live(3, 0, 0)
		if text := alertTexts(newest[AlertsMessage](l, AlertsLeaf))["journal"]; text != "" {
			t.Errorf("with space again the alert still says %q", text)
		}
		if r := l.send(`{"id":"late","do":"phase","phase":"service"}`); !r.OK {
			t.Errorf("with space again the command was refused: %s", r.Error)
		}
		l.stop()
		// kept fails on a gap; the replay must end where the cart did.
		var s fillcalc.State
		for _, e := range kept(t, l.path) {
			s = fillcalc.Apply(s, e)
		}
		if bits(s) != bits(l.state) {
			t.Errorf("the journal replays to another state:\n%+v\n%+v", s, l.state)
		}
	})
}
