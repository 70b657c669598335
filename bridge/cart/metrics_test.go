package cart

import (
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
)

// expectedMetrics is what the loop has counted in TestMetrics, when everything is on disk.
const expectedMetrics = `
# HELP bayfill_broker_connected 1 while the cart is connected to the broker.
# TYPE bayfill_broker_connected gauge
bayfill_broker_connected{cart="cart",shop="test"} 0
# HELP bayfill_commands_total Commands by outcome: done, repeated (answered again), refused, busy.
# TYPE bayfill_commands_total counter
bayfill_commands_total{cart="cart",outcome="busy",shop="test"} 0
bayfill_commands_total{cart="cart",outcome="done",shop="test"} 1
bayfill_commands_total{cart="cart",outcome="refused",shop="test"} 2
bayfill_commands_total{cart="cart",outcome="repeated",shop="test"} 1
# HELP bayfill_history_backlog_events Events after the newest that the history has; at the journal's limit some of them are deleted.
# TYPE bayfill_history_backlog_events gauge
bayfill_history_backlog_events{cart="cart",shop="test"} 10
# HELP bayfill_job_phase 1 for the phase of the job, none without a job; 0 for earlier phases.
# TYPE bayfill_job_phase gauge
bayfill_job_phase{cart="cart",phase="none",shop="test"} 0
bayfill_job_phase{cart="cart",phase="ready",shop="test"} 1
# HELP bayfill_readings_faulty_total Frames that were damaged, or that reported a fault of the instrument.
# TYPE bayfill_readings_faulty_total counter
bayfill_readings_faulty_total{cart="cart",sensor="caddy",shop="test"} 1
bayfill_readings_faulty_total{cart="cart",sensor="probe",shop="test"} 0
# HELP bayfill_readings_total Decoded frames, faulty ones included.
# TYPE bayfill_readings_total counter
bayfill_readings_total{cart="cart",sensor="caddy",shop="test"} 30
bayfill_readings_total{cart="cart",sensor="probe",shop="test"} 0
# HELP bayfill_sensor_condition 1 for the condition of a sensor, 0 for earlier conditions.
# TYPE bayfill_sensor_condition gauge
bayfill_sensor_condition{cart="cart",condition="good",sensor="caddy",shop="test"} 0
bayfill_sensor_condition{cart="cart",condition="silent",sensor="caddy",shop="test"} 1
bayfill_sensor_condition{cart="cart",condition="silent",sensor="probe",shop="test"} 1
bayfill_sensor_condition{cart="cart",condition="starting",sensor="caddy",shop="test"} 0
bayfill_sensor_condition{cart="cart",condition="starting",sensor="probe",shop="test"} 0
# HELP bayfill_unsaved_events Events that are not on disk yet.
# TYPE bayfill_unsaved_events gauge
bayfill_unsaved_events{cart="cart",shop="test"} 0
`

// TestMetrics compares the metrics with what happened, and runs the linter of promtool
// check metrics on them.
func TestMetrics(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.ProbeLines))
		registry := prometheus.NewRegistry()
		var sentSeq atomic.Uint64
		l.meter.register(registry, l.Cart, sentSeq.Load)
		l.start()
		for range 30 {
			time.Sleep(100 * time.Millisecond)
			l.say("caddy", "ST,GS,+0003.200kg\r\n")
		}
		l.say("caddy", "ST,GS,+0003.2?0kg\r\n")
		time.Sleep(time.Second)
		open := `{"id":"secret-id",` + bridgetest.OpenJob + `}`
		for _, payload := range []string{open, open, `{"id":"c","do":"weigh"}`, `{`} {
			l.commands <- incoming{payload: []byte(payload)}
			synctest.Wait()
		}
		time.Sleep(5 * time.Second) // and the caddy's scale falls silent
		synctest.Wait()
		onDisk := l.meter.onDiskSeq.Load()
		sentSeq.Store(onDisk - 10)
		var names []string
		for line := range strings.Lines(expectedMetrics) {
			if rest, ok := strings.CutPrefix(line, "# HELP "); ok {
				name, _, _ := strings.Cut(rest, " ")
				names = append(names, name)
			}
		}
		if err := testutil.GatherAndCompare(registry, strings.NewReader(expectedMetrics), names...); err != nil {
			t.Error(err)
		}
		if n := testutil.ToFloat64(l.meter.journalled); n != float64(onDisk) || n < 35 {
			t.Errorf("%g events on disk, the last is %d", n, onDisk)
		}
		answer := httptest.NewRecorder()
		promhttp.HandlerFor(registry, promhttp.HandlerOpts{}).ServeHTTP(answer, httptest.NewRequest("GET", "/metrics", nil))
		text := answer.Body.String()
		for _, want := range []string{
			"bayfill_loop_latency_seconds_count{cart=\"cart\",shop=\"test\"} 30\n", "bayfill_loop_latency_seconds_bucket{cart=\"cart\",shop=\"test\",le=\"0.0005\"} 30\n",
			"bayfill_last_event_age_seconds{cart=\"cart\",shop=\"test\"} ", "bayfill_journal_bytes{cart=\"cart\",shop=\"test\"} ", "bayfill_history_refused_lines_total{cart=\"cart\",shop=\"test\"} 0\n",
			"bayfill_journal_given_up_readings_total{cart=\"cart\",shop=\"test\"} 0\n",
		} {
			if !strings.Contains(text, want) {
				t.Errorf("%q is not in\n%s", want, text)
			}
		}
		for _, secret := range []string{"secret-id", "job-1", "test van", "fresh"} {
			if strings.Contains(text, secret) {
				t.Errorf("the metrics show %q", secret)
			}
		}
		problems, err := testutil.GatherAndLint(registry)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range problems {
			t.Errorf("lint: %s: %s", p.Metric, p.Text)
		}
	})
}
