package broker

import "github.com/prometheus/client_golang/prometheus"

// Register registers the broker's metrics. They name no user and no address, which the log
// does.
func (b *Broker) Register(r prometheus.Registerer) {
	waiting := func() int { n, _ := b.gate.count(); return n }
	authenticated := func() int { _, n := b.gate.count(); return n }
	for _, m := range []struct {
		name, help string
		value      func() int
	}{
		{"bayfill_broker_connections_waiting", "Connections to the embedded broker that have not authenticated yet.", waiting},
		{"bayfill_broker_connections", "Authenticated connections to the embedded broker, those of the carts included.", authenticated},
	} {
		r.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: m.name, Help: m.help}, func() float64 { return float64(m.value()) }))
	}
	for _, m := range []struct {
		name, help string
		value      func() int64
	}{
		{"bayfill_broker_logins_refused_total", "Connections with a wrong name or password.", b.guesses.Refused},
		{"bayfill_broker_slow_clients_total", "Connections that ended because their client was too slow.", b.gate.slow.Load},
	} {
		r.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: m.name, Help: m.help}, func() float64 { return float64(m.value()) }))
	}
}
