package journal

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	"golang.org/x/sys/unix"

	"bayfill/bridge/words"
)

// lockFile takes a lock that the system releases with the process at the latest. It
// uses a file of its own, because SQLite's locks on the journal are lost as soon as
// any descriptor of the journal is closed. The file holds the process number and is
// not deleted.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, fileMode)
	if err != nil {
		return nil, err
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, words.NewError("record.locking", "path", path, "why", err)
		}
		holder, _ := os.ReadFile(path)
		return nil, words.NewError("record.in_use", "process", strings.TrimSpace(string(holder)))
	}
	// The process number is only information, so an error is ignored: a journal must
	// open even on a full disk.
	if f.Truncate(0) == nil {
		fmt.Fprintln(f, os.Getpid())
	}
	return f, nil
}

// unlockFile releases the lock at once, even while a child process that is just being
// started shares the descriptor.
func unlockFile(f *os.File) error {
	return errors.Join(unix.Flock(int(f.Fd()), unix.LOCK_UN), f.Close())
}

// Holder reports whether a process has a journal open, and the process number from the
// lock file. It takes the lock for a moment: a bridge that starts at that moment is
// refused, a running one is not affected.
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
