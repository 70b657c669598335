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
	"golang.org/x/net/netutil"
)

// loopLate is how long a healthy cart's loop may take for one turn: a command
// waits up to ten seconds for a journal that another program is holding.
const loopLate = 15 * time.Second

// loop is a cart's loop as health sees it.
type loop struct {
	cart      string
	running   <-chan struct{}      // closed when it begins to turn
	sinceTurn func() time.Duration // how long the present turn takes so far
}

// late names the carts whose loops have not turned for so long.
func late(loops []loop, long time.Duration) (names []string) {
	for _, l := range loops {
		if l.sinceTurn() > long {
			names = append(names, l.cart)
		}
	}
	return names
}

// monitor answers /healthz and /metrics.
type monitor struct {
	loops    []loop
	registry *prometheus.Registry
	listener net.Listener
	log      *slog.Logger
}

// openMonitor listens; run answers.
func openMonitor(address string, loops []loop, registry *prometheus.Registry, log *slog.Logger) (*monitor, error) {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("monitor.listen: %w", err)
	}
	// They count against the serial library's limit on descriptors.
	return &monitor{loops, registry, netutil.LimitListener(listener, 16), log}, nil
}

// run answers until ctx ends.
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
		m.log.Error("health and metrics are answered no more", "error", err)
		return
	}
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), 300*time.Millisecond)
	defer cancel()
	if server.Shutdown(wait) != nil {
		server.Close()
	}
	<-ended
}

// health tells whether starting the program again would help. That broker, history
// or a sensor is away is no failure of it.
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

// close frees the address of a monitor that does not run.
func (m *monitor) close() error {
	if err := m.listener.Close(); !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}

// newRegistry holds what Prometheus may ask: the process, and what each cart's
// meter adds. Labels are cart, sensor and words of this program; names of people
// and vehicles, ids and secrets never come here.
func newRegistry() *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}
