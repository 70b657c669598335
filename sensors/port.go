package sensors

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/user"
	"strings"
	"syscall"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// quiet is how long a Read waits for bytes where an answer is expected.
const quiet = 100 * time.Millisecond

// selectLimit is the first descriptor too large for the select(2) of the serial
// library, which panics on it.
const selectLimit = 1024

// LimitDescriptors limits the open files of the process to the number that the
// serial library can handle: beyond 1024 it panics. At the limit, opening a file
// is an ordinary error. Call it before the first port is opened.
func LimitDescriptors() error {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		return fmt.Errorf("limit the open files: %w", err)
	}
	if limit.Cur > selectLimit {
		limit.Cur = selectLimit
		if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
			return fmt.Errorf("limit the open files: %w", err)
		}
	}
	return nil
}

// serialPort is an open port with the descriptor that holds its lock.
type serialPort struct {
	serial.Port
	lock *os.File
}

func (p *serialPort) Close() error {
	return errors.Join(p.Port.Close(), p.lock.Close())
}

// OpenSerial opens and locks the serial device at path. Its Read returns 0, nil
// when no byte arrives within wait. The text of an error says what is wrong with
// the port and what to do; the error of the system is wrapped.
func OpenSerial(path string, line LineSettings, wait time.Duration) (io.ReadWriteCloser, error) {
	// A descriptor of our own holds the advisory lock that other programs check; the
	// exclusive mode that the library sets does not keep root out.
	lock, err := os.OpenFile(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, explainOpen(path, err)
	}
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		lock.Close()
		return nil, explainOpen(path, unix.EBUSY)
	}
	port, err := serial.Open(path, line.mode())
	if err != nil {
		lock.Close()
		return nil, explainOpen(path, err)
	}
	if err := port.SetReadTimeout(wait); err != nil {
		port.Close()
		lock.Close()
		return nil, explainOpen(path, err)
	}
	return &serialPort{port, lock}, nil
}

// explainOpen turns the error of an attempt to open a port into one that carries
// a Status.
func explainOpen(path string, err error) error {
	status := Status{Condition: PortFailed, Port: path, Err: err}
	var code serial.PortErrorCode
	var pe *serial.PortError
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		status.Condition = Missing
	case errors.Is(err, fs.ErrPermission), pe != nil && code == serial.PermissionDenied:
		status.Condition, status.Access = NoAccess, accessTo(path)
	case errors.Is(err, unix.EBUSY), pe != nil && code == serial.PortBusy:
		status.Condition = Busy
	case errors.Is(err, unix.EMFILE), errors.Is(err, unix.ENFILE), pe != nil && hides(pe, unix.EMFILE):
		status.Cause = OpenFiles
	case errors.Is(err, unix.ENOTTY), pe != nil && code == serial.InvalidSerialPort:
		status.Cause = NotSerial
	case pe != nil && code == serial.InvalidSpeed:
		status.Cause = SpeedRejected
	}
	return &statusError{status}
}

// hides reports whether the library's error was caused by another one. The library
// keeps the cause in a private field and has no Unwrap, so only its text shows it.
func hides(pe *serial.PortError, cause error) bool {
	return strings.HasSuffix(pe.Error(), cause.Error())
}

// accessTo looks up who owns a device and who this process is. An id without a
// name stands for itself.
func accessTo(path string) *Access {
	a := &Access{User: fmt.Sprint(os.Getuid())}
	if me, err := user.Current(); err == nil {
		a.User = me.Username
		a.Groups, _ = me.GroupIds()
		for i, id := range a.Groups {
			a.Groups[i] = groupName(id)
		}
	}
	info, err := os.Stat(path)
	if err != nil {
		a.StatErr = err
		return a
	}
	a.Mode = info.Mode()
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		a.Owner, a.Group = fmt.Sprint(st.Uid), groupName(fmt.Sprint(st.Gid))
		if u, err := user.LookupId(a.Owner); err == nil {
			a.Owner = u.Username
		}
	}
	return a
}

func groupName(id string) string {
	if g, err := user.LookupGroupId(id); err == nil {
		return g.Name
	}
	return id
}
