package audittest

import (
	"fmt"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/sim/study"
)

// ShortJobs returns the study's distribution with less time between the moves.
func ShortJobs(t testing.TB) *study.Distribution {
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

// HistoryConfig returns the configuration of a cart with one scale whose history is at
// url.
func HistoryConfig(t testing.TB, url, cart string) *config.Config {
	t.Helper()
	c, err := config.Parse(fmt.Appendf(nil, `
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

// Trust returns what the configuration's own audits have at hand.
func Trust(t testing.TB, c *config.Config) (trust audit.Trust) {
	t.Helper()
	var err error
	if trust.NameKey, err = c.NameKey(); err == nil {
		trust.Keys, err = c.TrustedKeys()
	}
	if err != nil || trust.NameKey == nil || len(trust.Keys) == 0 {
		t.Fatalf("%+v, %v", trust, err)
	}
	return trust
}

// Provable audits jobs from the history and from the journal. Each record must be the same
// and complete and hold at least minEvents events and minMessages published messages. It
// returns how many records are wrong.
func Provable(t *testing.T, store *audit.Store, journal, cart string, jobs []string, minEvents, minMessages int) (wrong int) {
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
			report := audit.Check(record, audit.Trust{})
			if !report.SameAndComplete() || report.Events < minEvents || report.Published < minMessages {
				wrong++
				t.Errorf("%s of %s: %d events, %d messages: %+v", job, from, report.Events, report.Published, report.Findings)
			}
		}
	}
	return wrong
}
