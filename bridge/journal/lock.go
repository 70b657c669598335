package journal

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// lockFile takes a lock that ends with the process at the latest, on a file of
// its own: SQLite's locks on the journal are lost when any other descriptor of
// it is closed. The file names the process that holds it, and stays.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, err
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("locking %s: %w", path, err)
		}
		holder, _ := os.ReadFile(path)
		return nil, fmt.Errorf("process %s is using it: stop that one, or give this one another data folder", strings.TrimSpace(string(holder)))
	}
	// The number is a courtesy: a full disk, which has no room for it, must not
	// keep a journal from being read.
	if f.Truncate(0) == nil {
		fmt.Fprintln(f, os.Getpid())
	}
	return f, nil
}

// unlockFile releases the lock at once, also for a child that is just being
// started and still shares the descriptor.
func unlockFile(f *os.File) error {
	return errors.Join(unix.Flock(int(f.Fd()), unix.LOCK_UN), f.Close())
}

// Holder tells whether a program has a journal open, and its process as it
// told. The lock is tried for a moment: a bridge that starts in that very moment is
// refused, one that runs notices nothing.
func Holder(path string) (process string, held bool, err error) {
	f, err := os.Open(path + ".lock")
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
