package sensors

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/user"
	"strings"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// Condition is what a port is like, as far as can be told from outside.
type Condition string

const (
	Starting   Condition = "starting"  // nothing is known yet
	Good       Condition = "good"      // frames arrive
	Missing    Condition = "missing"   // no such device: unplugged, or another name
	NoAccess   Condition = "no_access" // the device is there, the right to open it is not
	Busy       Condition = "busy"      // another program holds it
	Silent     Condition = "silent"    // open, and not a byte arrives
	Nonsense   Condition = "nonsense"  // bytes arrive, and no good frame among them
	Stuck      Condition = "stuck"     // it takes no bytes: a poll cannot be sent
	PortFailed Condition = "failed"    // anything else the system says
)

// Status is a port's condition and a sentence for the person who can act.
type Status struct {
	Condition Condition
	Text      string
}

// portError carries a Status out of an attempt to open or use a port.
type portError struct {
	Status
	cause error
}

func (e *portError) Error() string { return e.Text }
func (e *portError) Unwrap() error { return e.cause }

// quiet is how long a Read waits where an answer is expected.
const quiet = 100 * time.Millisecond

// selectLimit is the first descriptor that the serial library's select(2)
// cannot hold: it would panic.
const selectLimit = 1024

// LimitDescriptors keeps the process below the number of open files at which
// the serial library panics; past it, opening anything is a plain error. Call
// it before the first port is opened.
func LimitDescriptors() error {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		return fmt.Errorf("limit of open files: %w", err)
	}
	if limit.Cur > selectLimit {
		limit.Cur = selectLimit
		if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
			return fmt.Errorf("limit of open files: %w", err)
		}
	}
	return nil
}

// serialPort is an open port and the lock on its device.
type serialPort struct {
	serial.Port
	lock *os.File
}

func (p *serialPort) Close() error {
	return errors.Join(p.Port.Close(), p.lock.Close())
}

// OpenSerial opens a device by its stable name. A Read waits so long for bytes
// and then returns 0, nil. The error's text says what is wrong with the
// port and what to do.
func OpenSerial(path string, line LineSettings, wait time.Duration) (io.ReadWriteCloser, error) {
	// A second descriptor of our own carries the lock that other well-behaved
	// programs look for; the library's exclusive flag does not stop root.
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

// explainOpen turns what the system says into a sentence with what to do.
func explainOpen(path string, err error) error {
	say := func(c Condition, format string, args ...any) error {
		return &portError{Status{c, fmt.Sprintf(format, args...)}, err}
	}
	var code serial.PortErrorCode
	var pe *serial.PortError
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return say(Missing, "%s is missing: plug the cable in, or look for its name with bayfill ports", path)
	case errors.Is(err, fs.ErrPermission), pe != nil && code == serial.PermissionDenied:
		return say(NoAccess, "%s may not be opened: it is %s; this process runs as %s. Add that user to the device's group and start again",
			path, describeNode(path), describeSelf())
	case errors.Is(err, unix.EBUSY), pe != nil && code == serial.PortBusy:
		return say(Busy, "%s is held by another program: stop it (a modem manager or another reader)", path)
	case errors.Is(err, unix.EMFILE), errors.Is(err, unix.ENFILE),
		pe != nil && strings.HasSuffix(pe.Error(), unix.EMFILE.Error()): // the library shows its cause in the text only
		return say(PortFailed, "%s: too many open files in this process: fewer carts, or a second bridge", path)
	case errors.Is(err, unix.ENOTTY), pe != nil && code == serial.InvalidSerialPort:
		return say(PortFailed, "%s is not a serial port (%v)", path, err)
	case pe != nil && code == serial.InvalidSpeed:
		return say(PortFailed, "%s does not take this speed", path)
	}
	return say(PortFailed, "%s: %v", path, err)
}

func describeNode(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return err.Error()
	}
	text := info.Mode().String()
	var st unix.Stat_t
	if unix.Stat(path, &st) == nil {
		owner, group := fmt.Sprint(st.Uid), fmt.Sprint(st.Gid)
		if u, err := user.LookupId(owner); err == nil {
			owner = u.Username
		}
		if g, err := user.LookupGroupId(group); err == nil {
			group = g.Name
		}
		text += ", owner " + owner + ", group " + group
	}
	return text
}

func describeSelf() string {
	me, err := user.Current()
	if err != nil {
		return fmt.Sprintf("user %d", os.Getuid())
	}
	ids, _ := me.GroupIds()
	for i, id := range ids {
		if g, err := user.LookupGroupId(id); err == nil {
			ids[i] = g.Name
		}
	}
	return "user " + me.Username + " in the groups " + strings.Join(ids, ", ")
}
