package bridge

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strconv"
	"strings"
	"time"
)

// Manager is the service manager that started the program and wants to be told how
// it fares, as sd_notify(3) of systemd describes.
type Manager struct {
	conn *net.UnixConn
	// within is how long it waits for a sign of life before it starts the program
	// again; 0: for ever.
	within time.Duration
}

// FindManager looks where the environment says that a service manager listens; nil
// when there is none. The error names the variable that makes no sense.
func FindManager() (*Manager, error) {
	address := os.Getenv("NOTIFY_SOCKET")
	if address == "" {
		return nil, nil
	}
	// A leading @ stands for the abstract namespace, also to the library.
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: address, Net: "unixgram"})
	if err != nil {
		return nil, fmt.Errorf("NOTIFY_SOCKET: %w", err)
	}
	m := &Manager{conn: conn}
	pid, named := os.LookupEnv("WATCHDOG_PID")
	if text := os.Getenv("WATCHDOG_USEC"); text != "" && (!named || pid == strconv.Itoa(os.Getpid())) {
		us, err := strconv.ParseInt(text, 10, 64)
		if err != nil || us <= 0 {
			conn.Close()
			return nil, fmt.Errorf("WATCHDOG_USEC: %q is not a number of microseconds", text)
		}
		m.within = time.Duration(us) * time.Microsecond
	}
	return m, nil
}

// run tells when all loops run, then that they still do, and when the program is
// to stop; it returns when ctx has ended. The manager hears of life only while
// every cart's loop has turned since it last did: a loop that hangs gets the
// program started again, which a timer beside it would prevent.
func (m *Manager) run(ctx context.Context, loops []loop, log *slog.Logger) {
	defer m.conn.Close()
	tell := func(state string) {
		m.conn.SetWriteDeadline(time.Now().Add(time.Second))
		if _, err := m.conn.Write([]byte(state)); err != nil {
			log.Warn("the service manager does not listen", "error", err)
		}
	}
	for _, l := range loops {
		select {
		case <-l.running:
		case <-ctx.Done():
		}
	}
	if ctx.Err() == nil {
		tell("READY=1")
	}
	var due <-chan time.Time
	if m.within > 0 {
		every := time.NewTicker(m.within / 2)
		defer every.Stop()
		due = every.C
	}
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-due:
			if stuck := late(loops, m.within/2); len(stuck) > 0 {
				log.Error("a cart's loop hangs, the service manager will start the program again", "carts", strings.Join(stuck, ", "))
			} else {
				tell("WATCHDOG=1")
			}
		}
	}
	tell("STOPPING=1")
}
