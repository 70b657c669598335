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

	"bayfill/sensors/direct"
)

// quiet is how long a Read waits for bytes where an answer is expected.
const quiet = 100 * time.Millisecond

// serialPort is an open port. It has one descriptor, which holds the lock, and reads by
// the runtime's poller. The serial library only sets the line: its own reads call
// select(2), which cannot handle a descriptor above 1023 and needs a thread and four
// descriptors for each port.
type serialPort struct {
	file         *os.File
	*direct.Conn // over file
	wait         time.Duration
}

// Read waits for bytes, at most for wait.
func (p *serialPort) Read(b []byte) (int, error) {
	if err := p.file.SetReadDeadline(time.Now().Add(p.wait)); err != nil {
		return 0, err
	}
	n, err := p.Conn.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil
	}
	return n, err
}

func (p *serialPort) Close() error { return p.file.Close() }

// control runs a system call on the descriptor. Not with File.Fd, which would make its
// reads block.
func (p *serialPort) control(call func(fd int) error) error {
	raw, err := p.file.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = raw.Control(func(fd uintptr) { failed = call(int(fd)) })
	return errors.Join(err, failed)
}

// OpenSerial opens and locks the serial device at path. Its Read returns 0, nil
// when no byte arrives within wait. The text of an error says what is wrong with
// the port and what to do; the error of the system is wrapped.
func OpenSerial(path string, line LineSettings, wait time.Duration) (io.ReadWriteCloser, error) {
	file, err := os.OpenFile(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, explainOpen(path, err)
	}
	p := &serialPort{file: file, wait: wait}
	if err := p.setUp(path, line); err != nil {
		p.Close()
		return nil, explainOpen(path, err)
	}
	return p, nil
}

// setUp locks the port and sets its line. Two locks, because other programs check either:
// the advisory one, and exclusive mode, which does not keep root out.
func (p *serialPort) setUp(path string, line LineSettings) error {
	if p.control(func(fd int) error { return unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB) }) != nil {
		return unix.EBUSY
	}
	set, err := serial.Open(path, line.mode())
	if err != nil {
		return err
	}
	// The settings stay as long as one descriptor is open.
	if err := set.Close(); err != nil {
		return err
	}
	if p.Conn, err = direct.New(p.file); err != nil {
		return err
	}
	return p.control(func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0) })
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
