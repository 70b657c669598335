package cart

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/closing"
	"bayfill/bridge/wire"
)

// Each closing record is in the second place soon after the job has ended; while that place
// is away an alert says so, and nothing is lost. The leaf record has the newest.
func TestClosingRecordsAreCopied(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
		config.Records.Also = filepath.Join(bridgetest.MemoryDir(t), "mounted")
		l := startLonely(t, config)
		l.live(3, 0, 0)
		job := func() {
			l.must(bridgetest.OpenJob)
			l.live(2, 0, 0)
			l.must(`"do":"abandon","why":"test"`)
			l.live(2, 0, 0)
		}
		want := func(n int, alert bool) {
			t.Helper()
			list, err := closing.ReadCopies(closing.CopyPath(config.Records.Also, "cart"))
			if err != nil || len(list) != n {
				t.Errorf("%d copies of %d: %v", len(list), n, err)
			}
			alerts := newest[wire.Alerts](l, wire.AlertsLeaf)
			says := false
			for _, a := range alerts.Alerts {
				says = says || a.Code == wire.AlertRecords
			}
			if says != alert {
				t.Errorf("alerts: %+v", alerts)
			}
		}
		job()
		want(0, true)
		if err := os.Mkdir(config.Records.Also, 0o700); err != nil {
			t.Fatal(err)
		}
		l.live(copyAgain.Seconds()+2, 0, 0)
		want(1, false)
		job()
		want(2, false)
		text, err := os.ReadFile(closing.CopyPath(config.Records.Also, "cart"))
		if err != nil {
			t.Fatal(err)
		}
		if record := newest[wire.Record](l, wire.RecordLeaf); record.Line == "" || !strings.HasSuffix(string(text), record.Line+"\n") || !strings.Contains(record.Line, record.Job) {
			t.Errorf("the leaf has %+v, the copies are\n%s", record, text)
		}
		time.Sleep(time.Second)
	})
}
