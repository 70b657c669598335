package journal_test

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// The newest lines that a history refused are kept for a limited time, and those that
// were deleted are counted.
func TestDeadLettersAreBounded(t *testing.T) {
	const limit = 10_000
	j := journaltest.Open(t, filepath.Join(bridgetest.MemoryDir(t), "a.journal"))
	day := int64(24 * time.Hour)
	now := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC).UnixNano()
	journaltest.Append(t, j, journal.Batch{Events: []fillcalc.Event{{Seq: 1, AtNs: now, Kind: fillcalc.KindWeight, Sensor: "caddy"}}})
	refuse := func(n int, atNs int64) {
		t.Helper()
		var refused []journal.Refused
		for i := range n {
			refused = append(refused, journal.Refused{Line: fmt.Sprintf("bayfill_reading,shop=a,cart=b,sensor=caddy kg=1e0,seq=%di %d", i, atNs+int64(i)), Reason: "type conflict"})
		}
		if err := j.SetSent(t.Context(), 1, false, refused); err != nil {
			t.Fatal(err)
		}
	}
	says := func(key string, refused, kept int) {
		t.Helper()
		text, err := j.BoundDeadLetters(t.Context())
		if f := text.Figures; err != nil || text.Key != key || key != "" && (f["lines"] != float64(refused) || f["kept"] != float64(kept) || f["deleted"] != float64(refused-kept) || f["for_s"] != 90*86400) {
			t.Errorf("%+v, %v; want %s of %d", text, err, key, refused)
		}
		if list, err := j.DeadLetters(t.Context()); err != nil || len(list) != kept {
			t.Errorf("%d lines are kept, %v; want %d", len(list), err, kept)
		}
	}
	says("", 0, 0)
	refuse(10, now-91*day)
	refuse(5, now-89*day)
	says("alert.history_refused_deleted", 15, 5)
	refuse(limit, now)
	says("alert.history_refused_deleted", 10015, limit)
	list, err := j.DeadLetters(t.Context())
	if err != nil || !strings.HasSuffix(list[0].Line, fmt.Sprintf("seq=0i %d", now)) {
		t.Errorf("the oldest that is kept is %+v, %v", list[0], err)
	}
	refuse(3, now)
	says("alert.history_refused_deleted", 10018, limit)
	// Somebody has dealt with them. A line without a time is never too old.
	if _, err := j.DB.Exec("DELETE FROM set_aside"); err != nil {
		t.Fatal(err)
	}
	says("", 0, 0)
	if err := j.SetSent(t.Context(), 1, false, []journal.Refused{{Line: "garbage", Reason: "no line"}}); err != nil {
		t.Fatal(err)
	}
	says("alert.history_refused_deleted", 19, 1)
}

// A name is erased from the dead letters as well, and from what the server said of
// them; the event's token stays, and other lines are as they were.
func TestNamesAreErasedFromDeadLetters(t *testing.T) {
	path := filepath.Join(bridgetest.MemoryDir(t), "a.journal")
	j := journaltest.Open(t, path)
	known := names.Names{"t-0123456789abcdef": `Kim "K" Example`, "t-ffff456789abcdef": "Ada", "v-0123456789abcdef": "Grey Van 7"}
	line := func(in *fillcalc.Input) string {
		text, err := points.Line("hilltop", "bay2", &fillcalc.Event{Seq: 7, AtNs: 1_750_000_000_000_000_007, Kind: fillcalc.KindInput, Input: in}, known)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	opens := line(&fillcalc.Input{Do: fillcalc.DoOpen, By: "t-0123456789abcdef", Job: &fillcalc.JobSpec{ID: "j", Vehicle: "v-0123456789abcdef"}})
	others := line(&fillcalc.Input{Do: fillcalc.DoClose, By: "t-ffff456789abcdef"})
	garbled := `bayfill_input,shop=hilltop,cart=bay2 body="{\"do\":\"close\",\"by\":\"t-0123456789abcdef\"}",by="Kim \"K\" Example",seq= 7`
	reading := "bayfill_reading,shop=hilltop,cart=bay2,sensor=caddy kg=1i 7"
	before := []journal.Refused{{Line: opens, Reason: "unable to parse '" + opens + "'"}, {Line: others, Reason: "too old"}, {Line: garbled, Reason: "garbage"}, {Line: reading, Reason: "type conflict"}}
	if err := j.SetSent(t.Context(), 7, false, before); err != nil {
		t.Fatal(err)
	}
	for token, name := range map[string]string{"t-0123456789abcdef": "Example", "v-0123456789abcdef": "Grey Van"} {
		for _, want := range []bool{true, false} {
			if erased, err := journal.EraseName(t.Context(), path, token); erased != want || err != nil {
				t.Errorf("%s: erased %v, %v; want %v", token, erased, err, want)
			}
		}
		for _, file := range []string{path, path + "-wal"} {
			if bytes.Contains(bridgetest.ReadFile(t, file), []byte(name)) {
				t.Errorf("%s is still in %s", name, filepath.Base(file))
			}
		}
	}
	after, err := j.DeadLetters(t.Context())
	if err != nil || len(after) != 3 || after[1] != before[1] || after[2] != before[3] {
		t.Fatalf("the dead letters are %+v, %v", after, err)
	}
	p, shop, cart, err := points.ParseLine(after[0].Line)
	if err != nil || shop != "hilltop" || cart != "bay2" || p.Fields["by"] != names.Erased || p.Fields["vehicle"] != names.Erased || p.AtNs != 1_750_000_000_000_000_007 {
		t.Errorf("%s: %+v, %v", after[0].Line, p, err)
	}
	if e, err := p.Event(); err != nil || e.Input.By != "t-0123456789abcdef" || e.Input.Job.Vehicle != "v-0123456789abcdef" || !strings.Contains(after[0].Reason, "unable to parse") {
		t.Errorf("%+v, %v, %s", e, err, after[0].Reason)
	}
}

func TestTimeOfARefusedLine(t *testing.T) {
	for _, c := range []struct {
		line string
		ns   int64
		ok   bool
	}{
		{"bayfill_reading,shop=a kg=1e0 1750000000000000007", 1_750_000_000_000_000_007, true},
		{"bayfill_reading,shop=a kg=1e0 -1", -1, true},
		{"bayfill_reading,shop=a kg=1e0", 0, false},
		{"garbage", 0, false},
		{"", 0, false},
	} {
		if ns, ok := (journal.Refused{Line: c.line}).AtNs(); ok != c.ok || ok && ns != c.ns {
			t.Errorf("%q: %d, %v", c.line, ns, ok)
		}
	}
}
