package bridge

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"bayfill/bridge/door"
)

// loopLate is how long a turn of a healthy loop may take: a command waits up to ten
// seconds for a journal that another program has locked.
const loopLate = 15 * time.Second

// loop is what health needs of a cart's loop.
type loop struct {
	cart      string
	running   <-chan struct{}      // closed when the loop starts
	sinceTurn func() time.Duration // duration of the present turn so far
}

// late returns the names of the carts whose loops have not turned for longer than limit.
func late(loops []loop, limit time.Duration) (names []string) {
	for _, l := range loops {
		if l.sinceTurn() > limit {
			names = append(names, l.cart)
		}
	}
	return names
}

// monitor serves /healthz and /metrics.
type monitor struct {
	loops    []loop
	registry *prometheus.Registry
	listener net.Listener
	log      *slog.Logger
}

// openMonitor opens the listener; run serves it.
func openMonitor(address string, loops []loop, registry *prometheus.Registry, log *slog.Logger) (*monitor, error) {
	listener, err := door.TCP(address)
	if err != nil {
		return nil, fmt.Errorf("monitor.listen: %w", err)
	}
	// Connections count against the serial library's limit of descriptors.
	return &monitor{loops, registry, &door.Seats{Listener: listener, MaxWaiting: 16}, log}, nil
}

// run serves until ctx ends.
func (m *monitor) run(ctx context.Context) {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", m.health)
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
	server := &http.Server{Handler: mux, ReadTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second, IdleTimeout: time.Minute,
		ErrorLog: slog.NewLogLogger(m.log.Handler(), slog.LevelWarn)}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(m.listener) }()
	select {
	case <-ctx.Done():
	case err := <-ended:
		m.log.Error("health and metrics are no longer served", "error", err)
		return
	}
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), 300*time.Millisecond)
	defer cancel()
	if server.Shutdown(wait) != nil {
		server.Close()
	}
	<-ended
}

// health reports whether a restart of the program would help: a loop hangs. A broker, a
// history or a sensor that is away is not a failure of the program.
func (m *monitor) health(w http.ResponseWriter, _ *http.Request) {
	type cartHealth struct {
		Cart      string `json:"cart"`
		LoopAgeMs int64  `json:"loop_age_ms"`
		OK        bool   `json:"ok"`
	}
	answer := struct {
		OK    bool         `json:"ok"`
		Error string       `json:"error,omitempty"`
		Carts []cartHealth `json:"carts"`
	}{OK: true}
	for _, l := range m.loops {
		age := l.sinceTurn()
		h := cartHealth{l.cart, age.Milliseconds(), age <= loopLate}
		if !h.OK && answer.OK {
			answer.OK = false
			answer.Error = fmt.Sprintf("cart %s has not turned for %.0f s: start the program again", h.Cart, age.Seconds())
		}
		answer.Carts = append(answer.Carts, h)
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	if !answer.OK {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	json.NewEncoder(w).Encode(answer)
}

// close closes the listener of a monitor, whether or not it ran.
func (m *monitor) close() error {
	if err := m.listener.Close(); !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}

// newRegistry returns the registry of the metrics: of the process, and of each cart,
// which adds its own. Labels are cart, sensor and words of this program; never names of
// people and vehicles, ids or secrets.
func newRegistry() *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}
