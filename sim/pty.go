package sim

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// ptyPort is a sensor's port: a pseudo-terminal under a symlink with a stable name.
//
// No slave descriptor is kept open here, so that the kernel shows whether a reader has the port open: the master hangs up
// when the last reader closes, and reading from it fails until the next one opens. So bytes without a reader are lost, as at
// a real port, instead of waiting as stale readings for the next reader; and what the last reader left behind can be cleared.
type ptyPort struct {
	link string
	line LineSettings
	log  *slog.Logger

	mu       sync.Mutex
	master   *os.File // nil while unplugged
	terminal string   // path of the slave
	used     bool     // a reader has had it open since it was last cleared
	gone     bool
}

func openPty(link string, line LineSettings, log *slog.Logger) (*ptyPort, error) {
	p := &ptyPort{link: link, line: line, log: log}
	return p, p.replug()
}

func (p *ptyPort) replug() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.gone:
		return fmt.Errorf("%s: %w", p.link, errRigEnded)
	case p.master != nil:
		return nil
	}
	return p.connect()
}

// connect makes a terminal in raw mode and points the link at it.
func (p *ptyPort) connect() error {
	blocking, slave, err := pty.Open()
	if err != nil {
		return fmt.Errorf("open a pseudo-terminal: %w", err)
	}
	terminal := slave.Name()
	err = errors.Join(makeRaw(slave, p.line.Baud), slave.Close()) // the settings outlive the descriptor
	master, moved := nonblocking(blocking)
	if moved != nil {
		return fmt.Errorf("set up %s: %w", terminal, errors.Join(err, moved))
	}
	if err = errors.Join(err, replaceLink(terminal, p.link)); err != nil {
		return fmt.Errorf("set up %s: %w", terminal, errors.Join(err, master.Close()))
	}
	p.master, p.terminal = master, terminal
	p.log.Info("sensor port ready", "port", p.link, "terminal", terminal)
	return nil
}

// nonblocking reopens a file under Go's poller, so that reads can have deadlines, and closes f.
func nonblocking(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("duplicate %s: %w", f.Name(), err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// replaceLink points link at target atomically. It replaces only a symlink.
func replaceLink(target, link string) error {
	if info, err := os.Lstat(link); err == nil && info.Mode()&fs.ModeSymlink == 0 {
		return fmt.Errorf("%s exists and is not a symlink", link)
	}
	fresh := filepath.Join(filepath.Dir(link), "."+filepath.Base(link)+".new")
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.Symlink(target, fresh); err != nil {
		return err
	}
	return os.Rename(fresh, link)
}

func (p *ptyPort) unplug() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.master == nil {
		return nil
	}
	err := os.Remove(p.link)
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	err = errors.Join(err, p.master.Close())
	p.master = nil
	return err
}

func (p *ptyPort) close() error {
	p.mu.Lock()
	p.gone = true
	p.mu.Unlock()
	return p.unplug()
}

func (p *ptyPort) send(b []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(b) == 0 || p.master == nil || !taken(p.master) {
		return
	}
	p.used = true
	if t, err := termios(p.master); err == nil && int(t.Ospeed) != p.line.Baud {
		b = delivered(p.line.garble(b, p.line.Baud, int(t.Ospeed)), t)
	}
	onDescriptor(p.master, func(fd int) { unix.Write(fd, b) }) // one attempt: bytes that a full buffer rejects are lost
}

func (p *ptyPort) receive(b []byte) int {
	master := p.attend()
	if master == nil {
		time.Sleep(quiet / 5) // no reader
		return 0
	}
	if master.SetReadDeadline(time.Now().Add(quiet)) != nil { // unplugged at this moment
		return 0
	}
	n, _ := master.Read(b) // timeout, reader gone, or unplugged: nothing arrived
	if n == 0 {
		return 0
	}
	t, err := termios(master)
	if err != nil || int(t.Ospeed) == p.line.Baud {
		return n
	}
	heard := b[:0]
	for _, r := range p.line.garble(bytes.Clone(b[:n]), int(t.Ospeed), p.line.Baud) {
		if !r.bad && len(heard) < cap(b) { // a sensor drops characters that its UART marks as bad
			heard = append(heard, r.b)
		}
	}
	return len(heard)
}

// attend returns the master while a reader has the port open, nil otherwise. After the last reader has left, it discards what
// that reader did not read and releases its exclusive mode (TIOCEXCL). A real port leaves exclusive mode with the last close;
// here a reader that was killed would otherwise lock out the next one.
func (p *ptyPort) attend() *os.File {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.master == nil:
		return nil
	case taken(p.master):
		p.used = true
		return p.master
	case p.used:
		p.used = false
		if err := p.clear(); err != nil {
			p.log.Warn("port not cleared after its reader left", "port", p.link, "err", err)
		}
	}
	return nil
}

// clear flushes both ends and releases exclusive mode. If exclusive mode keeps this process out too, because it does not run
// as root, the terminal is abandoned and the port gets a new one.
func (p *ptyPort) clear() error {
	onDescriptor(p.master, func(fd int) { unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCOFLUSH) })
	slave, err := unix.Open(p.terminal, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	switch {
	case err == unix.EBUSY && taken(p.master): // not left behind: the next reader was faster
		return nil
	case err == unix.EBUSY:
		old := p.master
		p.master = nil
		return errors.Join(old.Close(), p.connect())
	case err != nil:
		return err
	}
	return errors.Join(
		unix.IoctlSetInt(slave, unix.TCFLSH, unix.TCIFLUSH),
		unix.IoctlSetInt(slave, unix.TIOCNXCL, 0),
		unix.Close(slave))
}

// taken reports whether a reader has the port open.
func taken(master *os.File) bool {
	hungUp := true
	onDescriptor(master, func(fd int) {
		poll := []unix.PollFd{{Fd: int32(fd)}}
		if _, err := unix.Poll(poll, 0); err == nil {
			hungUp = poll[0].Revents&unix.POLLHUP != 0
		}
	})
	return !hungUp
}

// onDescriptor calls use with the descriptor of f and leaves f to Go's poller; it does nothing when f is closed.
func onDescriptor(f *os.File, use func(fd int)) {
	if raw, err := f.SyscallConn(); err == nil {
		raw.Control(func(fd uintptr) { use(int(fd)) })
	}
}
