package cart

import (
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestSnapshotChecksum checks that every changed letter is detected unless it does not
// change the state, and that a snapshot without a checksum is refused.
func TestSnapshotChecksum(t *testing.T) {
	events := aJob(t)
	var s fillcalc.State
	for _, e := range events[:len(events)/2] {
		s = fillcalc.Apply(s, e)
	}
	text, err := journal.EncodeSnapshot(&s)
	if err != nil {
		t.Fatal(err)
	}
	if back, err := journal.DecodeSnapshot(text); err != nil || bridgetest.Bits(back) != bridgetest.Bits(s) {
		t.Fatalf("read back: %v", err)
	}
	bare, _ := json.Marshal(s)
	if _, err := journal.DecodeSnapshot(bare); err == nil || err.Error() != "its checksum is missing" {
		t.Errorf("without a checksum: %v", err)
	}
	seen := 0
	for at := range text {
		was := text[at]
		for _, bit := range []byte{1, 2, 0x80} {
			text[at] = was ^ bit
			back, err := journal.DecodeSnapshot(text)
			if err != nil {
				seen++
			} else if bridgetest.Bits(back) != bridgetest.Bits(s) {
				t.Fatalf("letter %d, %q for %q, was not detected", at, text[at], was)
			}
		}
		text[at] = was
	}
	if seen < 3*(len(text)-100) {
		t.Errorf("of %d changes %d were detected", 3*len(text), seen)
	}
	for _, cut := range []int{0, 1, len(text) / 2, len(text) - 1} {
		if _, err := journal.DecodeSnapshot(text[:cut]); err == nil {
			t.Errorf("cut to %d letters it was accepted", cut)
		}
	}
}

// spoilSnapshot changes one digit of the litres and kilograms in the snapshot.
func spoilSnapshot(t *testing.T, j *journal.Journal) {
	t.Helper()
	kept, err := j.Mark("snapshot")
	if err != nil {
		t.Fatal(err)
	}
	at := strings.Index(kept, `"LevelKg":`) + len(`"LevelKg":`)
	changed := kept[:at] + string(rune('0'+(kept[at]-'0'+1)%10)) + kept[at+1:]
	if err := journal.SetMark(j.DB, "snapshot", changed); err != nil || !json.Valid([]byte(changed)) || changed == kept {
		t.Fatalf("%v: %.200q", err, changed)
	}
}

// TestReplayWithoutTheSnapshot checks that a snapshot with a changed digit is not used:
// what follows from the events is computed again from them, to the last bit, and the
// rest is reported as lost.
func TestReplayWithoutTheSnapshot(t *testing.T) {
	events, ends := threeJobs(t, "one", "two", "three")
	last := ends[len(ends)-1]
	one := len(events) / 3
	for _, c := range []struct {
		name  string
		prune int
		gone  string
		says  string
		same  bool // to the last bit
	}{
		{"all events", 0, "seq < 0", "alert.snapshot", true},
		{"those of the last job", 2 * one, "seq < 0", "alert.snapshot_lost", false},
		{"a hole before the last job", 0, fmt.Sprintf("seq = %d", one), "alert.snapshot_lost", false},
	} {
		j := journaltest.Open(t, filepath.Join(bridgetest.MemoryDir(t), "a.journal"))
		journaltest.Append(t, j, journal.Batch{Events: events, Snapshot: &last})
		if c.prune > 0 {
			for more, err := true, error(nil); more; {
				if more, err = j.Prune(t.Context(), time.Unix(0, math.MaxInt64), uint64(c.prune), false); err != nil {
					t.Fatal(err)
				}
			}
		}
		if _, err := j.DB.Exec("DELETE FROM event WHERE " + c.gone); err != nil {
			t.Fatal(err)
		}
		spoilSnapshot(t, j)
		got, lost, err := j.Replay(t.Context())
		if err != nil || lost.Key != c.says {
			t.Errorf("%s: %v, lost %+v", c.name, err, lost)
		}
		if got.Seq != last.Seq || figuresOf(&got) != figuresOf(&last) || c.same && bridgetest.Bits(got) != bridgetest.Bits(last) {
			t.Errorf("%s: at event %d %+v, want %d %+v", c.name, got.Seq, got.Volumes(), last.Seq, last.Volumes())
		}
	}
	// Without a single event the last sequence number is unknown.
	j := journaltest.Open(t, filepath.Join(bridgetest.MemoryDir(t), "a.journal"))
	journaltest.Append(t, j, journal.Batch{Events: events, Snapshot: &last})
	if _, err := j.DB.Exec("DELETE FROM event"); err != nil {
		t.Fatal(err)
	}
	spoilSnapshot(t, j)
	if _, _, err := j.Replay(t.Context()); err == nil || !strings.Contains(err.Error(), "is damaged: stop the program") {
		t.Errorf("without events: %v", err)
	}
}

// TestCartWithADamagedSnapshot checks that a cart with a damaged snapshot continues the
// open job and says so until the next start.
func TestCartWithADamagedSnapshot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
		l := startLonely(t, config)
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(10, 0.05, 0)
		caddyKg := l.caddyKg
		l.stop()
		for start := range 2 {
			if start == 0 {
				j := journaltest.Open(t, l.path)
				spoilSnapshot(t, j)
				j.Close()
			}
			l = newLonely(t, config)
			l.caddyKg = caddyKg
			l.start()
			l.live(3, 0, 0)
			text := bridgetest.AlertTexts(newest[wire.Alerts](l, wire.AlertsLeaf))["snapshot"]
			if (start == 0) != strings.Contains(text, "Everything was computed again, nothing is missing") {
				t.Errorf("start %d: the alert says %q", start+1, text)
			}
			if v := newest[wire.Volumes](l, wire.VolumesLeaf); math.Abs(float64(v.DrainedKg)-0.5) > 0.02 || v.Phase != "draining" {
				t.Errorf("start %d: %+v, drained were 0.5 kg", start+1, v)
			}
			state := bridgetest.Bits(l.state)
			l.stop()
			if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
				t.Errorf("start %d: the journal gives another state", start+1)
			}
		}
	})
}
