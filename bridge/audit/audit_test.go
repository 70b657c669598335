package audit_test

import (
	"flag"
	"fmt"
	"testing"
	"time"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

var auditJobs = flag.Int("audit-jobs", 6, "how many simulated jobs TestAuditOfTheHistory audits")

// All that the history holds comes out again, for every job; and so does what the
// journal holds.
func TestAuditOfTheHistory(t *testing.T) {
	server := bridgetest.StartInflux(t)
	d := audittest.ShortJobs(t)
	const perCart = 10
	var wrong int
	for first := 0; first < *auditJobs; first += perCart {
		n := min(perCart, *auditJobs-first)
		cart := fmt.Sprintf("cart%d", first/perCart)
		config := audittest.HistoryConfig(t, server.URL, cart)
		config.History.BetweenJobs = "none" // jobs are whole all the same
		var names []string
		var jobs [][]fillcalc.Event
		for k := range n {
			names = append(names, fmt.Sprintf("job-%d", first+k))
			jobs = append(jobs, study.Events(d, 7, first+k+1))
		}
		began := time.Now()
		journaltest.KeepJobs(t, config, names, jobs...)
		t.Logf("kept in %v", time.Since(began))
		audittest.Forward(t, config, cart)
		t.Logf("sent in %v", time.Since(began))
		store, err := audit.OpenStore(config.History)
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		wrong += audittest.Provable(t, store, config.JournalPath(cart), cart, names, 100, 50)
		t.Logf("audited in %v", time.Since(began))
	}
}

// One job from the query to the verdict, as long as jobs are in the study.
func BenchmarkAuditJob(b *testing.B) {
	server := bridgetest.StartInflux(b)
	config := audittest.HistoryConfig(b, server.URL, "cart")
	d, err := study.ParseDistribution([]byte("scale: {rate_hz: [10]}"))
	if err != nil {
		b.Fatal(err)
	}
	journaltest.KeepJobs(b, config, []string{"job"}, study.Events(d, 1, 3))
	audittest.Forward(b, config, "cart")
	store, err := audit.OpenStore(config.History)
	if err != nil {
		b.Fatal(err)
	}
	defer store.Close()
	var report *audit.Report
	for b.Loop() {
		record, err := store.Record(b.Context(), "job", 0)
		if err != nil {
			b.Fatal(err)
		}
		if report = audit.Check(record, audittest.Trust(b, config)); !report.SameAndComplete() {
			b.Fatalf("%+v", report.Findings)
		}
	}
	b.ReportMetric(float64(report.Events), "events")
	b.ReportMetric(float64(report.Published), "messages")
}
