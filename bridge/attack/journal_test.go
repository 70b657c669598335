package attack

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayfill/bridge"
	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
)

var onJournal = []attack{
	{does: "the journal is put back from an older copy",
		holds: "no number is given twice and no command is done twice; alert and audit say what is missing",
		try:   func(t *testing.T) { olderJournal(t, knownByWitness) }},
	{does: "the whole data folder is put back from an older copy, an external broker keeps the leaves",
		holds: "the same", try: func(t *testing.T) { olderJournal(t, knownByBroker) }},
	{does: "the whole data folder is put back from an older copy, the history has the rest",
		holds: "the same", try: func(t *testing.T) { olderJournal(t, knownByHistory) }},
	{does: "the journal is deleted while the program is stopped",
		holds: "a new one begins with numbers of its own, and an alert says so", try: func(t *testing.T) { olderJournal(t, deleted) }},
	{does: "the journal is deleted, moved or replaced while the program runs",
		holds: "no command is answered as done, an alert says what to do", by: "bridge/cart.TestJournalGone"},
	{does: "a forged point of the history is centuries ahead",
		holds: "it is not believed", by: "bridge/cart.TestWhatOthersKnow"},
	{does: "the journal's log is cut at any byte, or a bit is flipped",
		holds: "what was answered is kept, or the damage is named", by: "bridge/journal.TestJournalCutAtEveryByte"},
	{does: "pages, events or the snapshot are damaged",
		holds: "the damage is named, and the rest is read", by: "bridge/journal.TestDamagedPages"},
	{does: "kills at any moment, in the middle of commands",
		holds: "what was answered is kept, nothing is done twice", by: "bridge.TestKilledAmongCommands"},
	{does: "the disk is full",
		holds: "commands are refused, measuring goes on", by: "bridge/cart.TestCartOnAFullDisk"},
	{does: "two processes open one journal",
		holds: "the second is refused with the first one's number", by: "bridge.TestOneProcessPerJournal"},
}

// run runs a bridge on silent scales, lets do use it, and stops it.
func run(t *testing.T, c *config.Config, do func(s *bridgetest.Subscriber)) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	b, err := bridge.New(ctx, c, bridge.Options{Log: bridgetest.Log(), Open: bridgetest.Mute})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	s := bridgetest.Subscribe(t, b.BrokerURL(), "tablet", "secret", bridgetest.EveryLeaf()...)
	bridgetest.Online(t, s, "")
	do(s)
	s.Client.Disconnect(50)
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// Who knows what the older copy lacks.
type knower int

const (
	knownByWitness knower = iota
	knownByBroker
	knownByHistory
	deleted
)

func olderJournal(t *testing.T, by knower) {
	bridgetest.Slow(t)
	t.Parallel()
	c := journaltest.BareConfig(t, t.TempDir(), bridgetest.EmbeddedUsers)
	var history *bridgetest.Influx
	switch by {
	case knownByBroker:
		c = journaltest.BareConfig(t, c.Data, fmt.Sprintf(`{url: %q, username: bridge, password: {env: BAYFILL_TEST_PASSWORD}}`, bridgetest.SecureMosquitto(t).URL))
	case knownByHistory:
		history = bridgetest.StartInflux(t)
		c.History = config.History{URL: history.URL, Bucket: "bayfill/autogen"}
	}
	spill := func(id string) string {
		return fmt.Sprintf(`{"id":%q,"do":"enter","what":"spilled","l":0.1,"u_l":0.02}`, id)
	}
	copied := filepath.Join(t.TempDir(), "copy")

	run(t, c, func(s *bridgetest.Subscriber) { s.Must(bridgetest.OpenJob) })
	if err := os.CopyFS(copied, os.DirFS(c.Data)); err != nil {
		t.Fatal(err)
	}
	var leaf wire.Volumes
	run(t, c, func(s *bridgetest.Subscriber) {
		if r := s.Command(spill("since")); !r.OK {
			t.Fatal(r.Error)
		}
		leaf = bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf)
		if by == knownByHistory {
			bridgetest.Eventually(t, 10*time.Second, "the history", func() bool { return history.Count("bayfill_input") >= 4 })
		}
	})
	newest := lastEvent(t, c)
	if by == knownByBroker {
		// A leaf counts when it is newer than what a crash may cost. The test does not wait.
		s := bridgetest.Subscribe(t, c.Broker.URL, "bridge", "secret")
		leaf.TS, leaf.Seq = wire.Timestamp(time.Now().Add(time.Minute).UnixNano()), newest
		s.Publish(bridgetest.Topics+"volumes", true, string(wire.Encode(leaf)))
	}

	putBack(t, c.Data, copied, by)
	run(t, c, func(s *bridgetest.Subscriber) {
		want := "older copy"
		if by == deleted {
			want = "a new one has begun"
		}
		bridgetest.Eventually(t, 5*time.Second, "the alert", func() bool {
			return strings.Contains(bridgetest.AlertTexts(bridgetest.Read[wire.Alerts](s, wire.AlertsLeaf))["journal_older"], want)
		})
		bridgetest.Eventually(t, 5*time.Second, "the volumes", func() bool { _, ok := s.Last("/volumes"); return ok })
		if v := bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf); v.Seq <= newest {
			t.Errorf("the numbers go on at %d, %d was given before", v.Seq, newest)
		}
		if by != knownByBroker { // a leaf says nothing of commands
			if r := s.Command(spill("since")); r.OK || !strings.Contains(r.Error, "was done before") {
				t.Errorf("a command that was done is answered %+v", r)
			}
		}
		if by == deleted {
			s.Must(bridgetest.OpenJob)
		}
		s.Must(`"do":"abandon","why":"test"`)
		if by == knownByHistory {
			bridgetest.Eventually(t, 10*time.Second, "the closing record", func() bool { return history.Count("bayfill_job") == 1 })
		}
	})
	if by == deleted {
		return
	}
	onlyOlderCopy(t, c, history)
}

// putBack replaces the journal by its copy, or deletes it.
func putBack(t *testing.T, data, copied string, by knower) {
	t.Helper()
	files := []string{"cart.journal"}
	if by == knownByBroker || by == knownByHistory {
		files = append(files, "witness/cart.journal.json")
	}
	for _, file := range files {
		text, err := os.ReadFile(filepath.Join(copied, file))
		if err != nil {
			t.Fatal(err)
		}
		os.Remove(filepath.Join(data, file+"-wal"))
		os.Remove(filepath.Join(data, file+"-shm"))
		if by == deleted {
			err = os.Remove(filepath.Join(data, file))
		} else {
			err = os.WriteFile(filepath.Join(data, file), text, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// onlyOlderCopy audits the job: it was put back from an older copy, and all else is right.
func onlyOlderCopy(t *testing.T, c *config.Config, history *bridgetest.Influx) {
	t.Helper()
	rec, err := audit.FromJournal(t.Context(), c.JournalPath("cart"), "test", "cart", "job-1", 0)
	if err != nil {
		t.Fatal(err)
	}
	records := []*audit.Record{rec}
	if history != nil {
		store, err := audit.OpenStore(c.History)
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		if rec, err = store.Record(t.Context(), "job-1", 0); err != nil {
			t.Fatal(err)
		}
		records = append(records, rec)
	}
	for _, rec := range records {
		report := audit.Check(rec, audit.Trust{})
		if !report.Same || len(report.Findings) != 1 || report.Findings[0].Kind != audit.OlderCopy {
			t.Errorf("%s: %+v", rec.From, report.Findings)
		}
	}
}

func lastEvent(t *testing.T, c *config.Config) uint64 {
	t.Helper()
	j, err := journal.OpenReadOnly(c.JournalPath("cart"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	_, last, err := j.Bounds(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return last
}
