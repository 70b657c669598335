package sim

import (
	"errors"
	"time"
)

// port is the sensor's end of a connection. Sending never waits: like a UART without flow control, it loses bytes that nobody
// reads.
type port interface {
	send(b []byte)
	receive(b []byte) int // waits at most about quiet; 0 when nothing arrived
	unplug() error        // the reader's end fails
	replug() error        // comes back under the same name
	close() error         // cannot be undone
}

var errRigEnded = errors.New("the rig has ended")

// quiet is how long a port waits for bytes before it reports that none arrived.
const quiet = 100 * time.Millisecond
