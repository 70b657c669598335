package bridge

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/net/netutil"
	"golang.org/x/sys/unix"
)

// loopLate is how long a healthy cart's loop may take for one turn: a command
// waits up to ten seconds for a journal that another program is holding.
const loopLate = 15 * time.Second

// turn notes that the cart's loop is alive, and how the cart stands.
func (c *cart) turn() {
	c.turnedNs.Store(int64(time.Since(c.clock.start)))
	c.meter.turn(&c.state, len(c.unsaved.Events))
}

// sinceTurn is how long ago the loop began its present turn.
func (c *cart) sinceTurn() time.Duration {
	return time.Since(c.clock.start) - time.Duration(c.turnedNs.Load())
}

// late names the carts whose loops have not turned for so long.
func late(carts []*cart, long time.Duration) (names []string) {
	for _, c := range carts {
		if c.sinceTurn() > long {
			names = append(names, c.config.Name)
		}
	}
	return names
}

// Holder tells whether a program has a cart's journal open, and its process as it
// told. The lock is tried for a moment: a bridge that starts in that very moment is
// refused, one that runs notices nothing.
func (c *Config) Holder(cart string) (process string, held bool, err error) {
	f, err := os.Open(c.JournalPath(cart) + ".lock")
	if errors.Is(err, fs.ErrNotExist) {
		return "", false, nil
	}
	if err != nil {
		return "", false, err
	}
	defer f.Close()
	err = unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB)
	if !errors.Is(err, unix.EWOULDBLOCK) {
		return "", false, err
	}
	text, err := io.ReadAll(f)
	return strings.TrimSpace(string(text)), true, err
}

// monitor answers /healthz and /metrics.
type monitor struct {
	carts    []*cart
	registry *prometheus.Registry
	listener net.Listener
	log      *slog.Logger
}

// openMonitor listens; run answers.
func openMonitor(address string, carts []*cart, registry *prometheus.Registry, log *slog.Logger) (*monitor, error) {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("monitor.listen: %w", err)
	}
	// They count against the serial library's limit on descriptors.
	return &monitor{carts, registry, netutil.LimitListener(listener, 16), log}, nil
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
	for _, c := range m.carts {
		age := c.sinceTurn()
		h := cartHealth{c.config.Name, age.Milliseconds(), age <= loopLate}
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
