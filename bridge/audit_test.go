package bridge_test

import (
	"flag"
	"fmt"
	"testing"
	"time"

	"bayfill/bridge"
	"bayfill/bridge/audit"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

var auditJobs = flag.Int("audit-jobs", 6, "how many simulated jobs TestAuditOfTheHistory audits")

// shortJobs is the study's distribution with less time between the moves.
func shortJobs(t testing.TB) *study.Distribution {
	t.Helper()
	d, err := study.ParseDistribution([]byte(`
work: {drain_s: [30, 60], service_s: [30, 60], warm_up_s: [30, 60], check_s: [10, 20]}
scale: {rate_hz: [5, 10]}
`))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func historyConfig(t testing.TB, url, cart string) *bridge.Config {
	t.Helper()
	c, err := bridge.ParseConfig(fmt.Appendf(nil, `
shop: test
data: %q
broker: {url: "tcp://127.0.0.1:1"}
history: {url: %q, bucket: bayfill/autogen}
fluids: [{name: used, density_kg_m3: 858}, {name: fresh, density_kg_m3: 846}]
carts: [{name: %s, sensors: [{name: caddy, role: caddy, port: a, protocol: line, pattern: value-unit, capacity_kg: 30, resolution_kg: 0.005}]}]
`, t.TempDir(), url, cart))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// All that the history holds comes out again, for every job; and so does what the
// journal holds.
func TestAuditOfTheHistory(t *testing.T) {
	server := bridge.StartInflux(t)
	d := shortJobs(t)
	const perCart = 10
	var wrong int
	for first := 0; first < *auditJobs; first += perCart {
		n := min(perCart, *auditJobs-first)
		cart := fmt.Sprintf("cart%d", first/perCart)
		config := historyConfig(t, server.URL(), cart)
		var names []string
		var jobs [][]fillcalc.Event
		for k := range n {
			names = append(names, fmt.Sprintf("job-%d", first+k))
			jobs = append(jobs, study.Events(d, 7, first+k+1))
		}
		began := time.Now()
		bridge.KeepJobs(t, config, names, jobs...)
		t.Logf("kept in %v", time.Since(began))
		bridge.Forward(t, config, cart)
		t.Logf("sent in %v", time.Since(began))
		store, err := audit.OpenStore(config.History)
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		wrong += provable(t, store, config.JournalPath(cart), cart, names, 100, 50)
		t.Logf("audited in %v", time.Since(began))
	}
}

// provable audits jobs from the history and from the journal, each of which is to
// hold at least so many events and messages of every one, and counts what is wrong.
func provable(t *testing.T, store *audit.Store, journal, cart string, jobs []string, events, messages int) (wrong int) {
	t.Helper()
	for _, job := range jobs {
		for _, from := range []string{"history", "journal"} {
			var record *audit.Record
			var err error
			if from == "history" {
				record, err = store.Record(t.Context(), job, 0)
			} else {
				record, err = audit.FromJournal(t.Context(), journal, "test", cart, job, 0)
			}
			if err != nil {
				t.Fatal(err)
			}
			report := audit.Check(record)
			if !report.SameAndComplete() || report.Events < events || report.Published < messages {
				wrong++
				t.Errorf("%s of %s: %d events, %d messages: %+v", job, from, report.Events, report.Published, report.Findings)
			}
		}
	}
	return wrong
}

// One job from the query to the verdict, as long as jobs are in the study.
func BenchmarkAuditJob(b *testing.B) {
	server := bridge.StartInflux(b)
	config := historyConfig(b, server.URL(), "cart")
	d, err := study.ParseDistribution([]byte("scale: {rate_hz: [10]}"))
	if err != nil {
		b.Fatal(err)
	}
	bridge.KeepJobs(b, config, []string{"job"}, study.Events(d, 1, 3))
	bridge.Forward(b, config, "cart")
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
		if report = audit.Check(record); !report.SameAndComplete() {
			b.Fatalf("%+v", report.Findings)
		}
	}
	b.ReportMetric(float64(report.Events), "events")
	b.ReportMetric(float64(report.Published), "messages")
}
