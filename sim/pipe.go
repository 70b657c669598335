package sim

import (
	"io"
	"sync"
	"time"
)

// pipeBytes is the capacity of one direction of a pipe, the same as that of a terminal's input queue.
const pipeBytes = 4096

// NewPipe is a serial line in memory with two equal ends. Read waits for about 100 ms and then returns 0, nil, like a serial
// port with a read timeout; Write never waits, and bytes that do not fit are lost. After either end is closed, both return
// io.EOF or io.ErrClosedPipe at once, and bytes in transit are lost.
func NewPipe() (device, host io.ReadWriteCloser) { return newPipe() }

func newPipe() (device, host *pipeEnd) {
	a, b := newPipeQueue(), newPipeQueue()
	closed := &pipeClosed{ch: make(chan struct{})}
	return &pipeEnd{in: a, out: b, closed: closed}, &pipeEnd{in: b, out: a, closed: closed}
}

type pipeEnd struct {
	in, out *pipeQueue
	closed  *pipeClosed
}

func (e *pipeEnd) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	timeout := time.NewTimer(quiet)
	defer timeout.Stop()
	for {
		if e.isClosed() {
			return 0, io.EOF
		}
		if n := e.in.take(p); n > 0 {
			return n, nil
		}
		select {
		case <-e.in.filled:
		case <-e.closed.ch:
		case <-timeout.C:
			return 0, nil
		}
	}
}

func (e *pipeEnd) Write(p []byte) (int, error) {
	if e.isClosed() {
		return 0, io.ErrClosedPipe
	}
	e.out.put(p)
	return len(p), nil
}

func (e *pipeEnd) Close() error {
	e.closed.once.Do(func() { close(e.closed.ch) })
	return nil
}

func (e *pipeEnd) isClosed() bool {
	select {
	case <-e.closed.ch:
		return true
	default:
		return false
	}
}

type pipeClosed struct {
	once sync.Once
	ch   chan struct{}
}

// pipeQueue is one direction of a pipe.
type pipeQueue struct {
	mu     sync.Mutex
	bytes  []byte
	filled chan struct{} // holds one token while a reader may have missed new bytes
	// waiting says that the reader has come back and found nothing; starved holds one token
	// when that has become so.
	waiting bool
	starved chan struct{}
}

func newPipeQueue() *pipeQueue {
	return &pipeQueue{filled: make(chan struct{}, 1), starved: make(chan struct{}, 1)}
}

// awaitReader waits until the reader waits for more than was ever written, or the pipe is closed.
func (q *pipeQueue) awaitReader(closed <-chan struct{}) {
	for {
		q.mu.Lock()
		waiting := q.waiting
		q.mu.Unlock()
		if waiting {
			return
		}
		select {
		case <-q.starved:
		case <-closed:
			return
		}
	}
}

func (q *pipeQueue) put(p []byte) {
	q.mu.Lock()
	q.waiting = q.waiting && len(p) == 0
	q.bytes = append(q.bytes, p[:min(len(p), pipeBytes-len(q.bytes))]...)
	q.mu.Unlock()
	select {
	case q.filled <- struct{}{}:
	default:
	}
}

func (q *pipeQueue) take(p []byte) int {
	q.mu.Lock()
	defer q.mu.Unlock()
	n := copy(p, q.bytes)
	q.bytes = append(q.bytes[:0], q.bytes[n:]...)
	if n == 0 && !q.waiting {
		q.waiting = true
		select {
		case q.starved <- struct{}{}:
		default:
		}
	}
	return n
}

// pipePort is a sensor's port in memory. While no reader has the host end open, bytes are lost.
type pipePort struct {
	mu           sync.Mutex
	device, peer *pipeEnd // nil until opened
	unplugged    bool
	gone         bool
}

// open returns the host end: the open one, or a new one when there is none. It returns nil while unplugged.
func (p *pipePort) open() *pipeEnd {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.unplugged {
		return nil
	}
	if p.peer == nil || p.peer.isClosed() {
		p.device, p.peer = newPipe()
	}
	return p.peer
}

func (p *pipePort) end() *pipeEnd {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.device == nil || p.device.isClosed() {
		return nil
	}
	return p.device
}

func (p *pipePort) send(b []byte) {
	if d := p.end(); d != nil {
		d.Write(b) // a pipe that was closed meanwhile loses the bytes, as a line would
	}
}

func (p *pipePort) receive(b []byte) int {
	d := p.end()
	if d == nil {
		time.Sleep(quiet / 5) // no reader
		return 0
	}
	n, _ := d.Read(b)
	return n
}

func (p *pipePort) unplug() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.unplugged = true
	if p.device != nil {
		p.device.Close()
	}
	return nil
}

func (p *pipePort) replug() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.gone {
		return errRigEnded
	}
	p.unplugged = false
	return nil
}

func (p *pipePort) close() error {
	p.mu.Lock()
	p.gone = true
	p.mu.Unlock()
	return p.unplug()
}
