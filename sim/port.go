package sim

import (
	"errors"
	"time"
)

// A port is the sensor's end of a connection. Sending never waits: like a UART without flow control it loses what nobody
// takes.
type port interface {
	send(b []byte)
	receive(b []byte) int // waits for about quiet at most; 0 when nothing came
	unplug() error        // the reader sees its end fail
	replug() error        // under the same name
	close() error         // for good
}

var errRigEnded = errors.New("the rig has ended")

// quiet is how long a port waits for bytes before it says that none came.
const quiet = 100 * time.Millisecond
