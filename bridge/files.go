package bridge

import (
	"golang.org/x/sys/unix"

	"bayfill/bridge/config"
	"bayfill/bridge/words"
)

const (
	// Beside the carts: up to 128 connections of the embedded broker and 16 of the monitor,
	// to the history, and what the process itself has open.
	filesOfBridge = 160
	// Of a cart beside a port for each sensor: its journal and lock, both ends of its link to an
	// embedded broker, its records, and some of SQLite's that come and go.
	filesOfCart = 10
)

// filesNeeded returns how many files a bridge may have open at the same time.
func filesNeeded(c *config.Config) int {
	n := filesOfBridge
	for i := range c.Carts {
		n += filesOfCart + len(c.Carts[i].Sensors)
	}
	return n
}

// CheckFiles returns an error if the system does not let this process open as many files as
// its carts need. Otherwise the last carts would be without some of their sensors.
func CheckFiles(c *config.Config) error {
	var limit unix.Rlimit // the runtime has raised it as far as it may
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		return nil // then what cannot be opened says so
	}
	return enoughFiles(c, limit.Cur)
}

func enoughFiles(c *config.Config, allowed uint64) error {
	if need := filesNeeded(c); uint64(need) > allowed {
		return words.NewError("checked.files", "carts", len(c.Carts), "need", need, "allowed", int(min(allowed, 1<<31)))
	}
	return nil
}
