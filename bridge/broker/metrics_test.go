package broker

import (
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"bayfill/bridge/bridgetest"
)

// The metrics count refused logins and connections, and name nobody.
func TestMetrics(t *testing.T) {
	t.Setenv("BAYFILL_TEST_PASSWORD", "secret")
	b, url := startEmbedded(t, bridgetest.EmbeddedUsers)
	r := prometheus.NewRegistry()
	b.Register(r)
	if _, err := bridgetest.Client(t, url, "board", "wrong", nil); err == nil {
		t.Fatal("a wrong password is accepted")
	}
	if _, err := bridgetest.Client(t, url, "board", "secret", nil); err != nil {
		t.Fatal(err)
	}
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, f := range families {
		m := f.GetMetric()[0]
		got[f.GetName()] = m.GetCounter().GetValue() + m.GetGauge().GetValue()
		if len(m.GetLabel()) > 0 {
			t.Errorf("%s has labels: %v", f.GetName(), m.GetLabel())
		}
	}
	for name, want := range map[string]float64{"bayfill_broker_logins_refused_total": 1, "bayfill_broker_connections": 1, "bayfill_broker_slow_clients_total": 0} {
		if v, there := got[name]; !there || v != want {
			t.Errorf("%s is %g (%v), want %g", name, v, there, want)
		}
	}
}
