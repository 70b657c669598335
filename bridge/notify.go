package bridge

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Manager is the service manager that started the program and expects to be notified
// of its state, as sd_notify(3) of systemd describes.
type Manager struct {
	// timeout is how long the manager waits for a sign of life before it restarts the
	// program; 0: for ever.
	timeout time.Duration
}

// FindManager returns the service manager that the environment names; nil when there
// is none. The error names the variable that makes no sense.
func FindManager() (*Manager, error) {
	if os.Getenv("NOTIFY_SOCKET") == "" {
		return nil, nil
	}
	timeout, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return nil, fmt.Errorf("service manager: %w", err)
	}
	return &Manager{timeout}, nil
}

// run notifies the manager when all loops run, then regularly that they still do, and
// when the program is about to stop; it returns when ctx has ended. A sign of life is
// sent only while every cart's loop has turned since the last one: a timer of its own
// would go on when a loop hangs, and the manager would not restart the program.
func (m *Manager) run(ctx context.Context, loops []loop, log *slog.Logger) {
	notify := func(state string) {
		if _, err := daemon.SdNotify(false, state); err != nil {
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
		notify(daemon.SdNotifyReady)
	}
	var due <-chan time.Time
	if m.timeout > 0 {
		every := time.NewTicker(m.timeout / 2)
		defer every.Stop()
		due = every.C
	}
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-due:
			if stuck := late(loops, m.timeout/2); len(stuck) > 0 {
				log.Error("a cart's loop hangs, the service manager will start the program again", "carts", strings.Join(stuck, ", "))
			} else {
				notify(daemon.SdNotifyWatchdog)
			}
		}
	}
	notify(daemon.SdNotifyStopping)
}
