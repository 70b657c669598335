// Package direct reads and writes serial ports and connections without telling Go's
// scheduler of each system call.
//
// A read or write of the standard library wakes the scheduler's monitor, a thread that looks
// whether the call blocks. It then looks some eight times before it sleeps again. For a
// program that waits nearly always, that costs more than the call itself. A descriptor that the
// runtime's poller watches never blocks, so there is nothing to look for.
package direct

import (
	"io"
	"os"
	"syscall"
)

// Conn reads and writes one descriptor. One goroutine may read while another one writes.
type Conn struct{ in, out call }

// New returns a Conn over an os.File that the poller watches, or over a network connection
// without TLS. Deadlines and closing stay with c.
func New(c syscall.Conn) (*Conn, error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return nil, err
	}
	conn := &Conn{call{name: "read", trap: syscall.SYS_READ, wait: raw.Read}, call{name: "write", trap: syscall.SYS_WRITE, wait: raw.Write}}
	conn.in.try, conn.out.try = conn.in.once, conn.out.once
	return conn, nil
}

// Read waits for bytes, until the deadline of the descriptor.
func (c *Conn) Read(b []byte) (int, error) {
	n, err := c.in.do(b)
	if n == 0 && err == nil && len(b) > 0 {
		err = io.EOF
	}
	return n, err
}

// Write writes all of b, or returns an error.
func (c *Conn) Write(b []byte) (n int, err error) {
	for n < len(b) && err == nil {
		var more int
		more, err = c.out.do(b[n:])
		n += more
	}
	return n, err
}

// TryWrite writes what there is room for now, without waiting, and returns how many bytes.
func (c *Conn) TryWrite(b []byte) (n int, err error) {
	c.out.now = true
	n, err = c.out.do(b)
	c.out.now = false
	return n, err
}

// call is a system call that is tried whenever the poller says that it may succeed. Its
// arguments and its result are here, so that nothing is allocated.
type call struct {
	name string
	trap uintptr
	wait func(try func(fd uintptr) bool) error
	try  func(fd uintptr) bool // once
	now  bool                  // it does not wait

	b     []byte
	n     int
	errno syscall.Errno
}

func (c *call) do(b []byte) (int, error) {
	c.b, c.n, c.errno = b, 0, 0
	err := c.wait(c.try)
	c.b = nil
	if err == nil && c.errno != 0 {
		err = os.NewSyscallError(c.name, c.errno)
	}
	return c.n, err
}

// once makes the call and reports whether it is done: not while there is nothing to read or
// no room to write.
func (c *call) once(fd uintptr) bool {
	for {
		n, errno := rawCall(c.trap, fd, c.b)
		switch errno {
		case 0:
			c.n, c.errno = n, 0
			return true
		case syscall.EINTR:
		case syscall.EAGAIN:
			return c.now
		default:
			c.errno = errno
			return true
		}
	}
}
