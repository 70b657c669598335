package sensors

import (
	"context"
	"fmt"
	"io"
	"time"
)

// Recorder keeps what arrives at a port, for "bayfill sim --replay": a line with the
// settings, and then for each piece the seconds since the start and the bytes as a quoted
// Go string.
type Recorder struct {
	Out io.Writer
	For time.Duration
}

// askEvery is the time between two requests to an instrument that sends only when asked.
const askEvery = 250 * time.Millisecond

// record listens at one setting, and sends the request there is. A nil recorder records
// nothing.
func (r *Recorder) record(ctx context.Context, path string, setting LineSettings, request []byte) error {
	if r == nil {
		return nil
	}
	port, err := OpenSerial(path, setting, quiet)
	if err != nil {
		return err
	}
	defer port.Close()
	if _, err := fmt.Fprintf(r.Out, "# line %s\n", setting); err != nil {
		return err
	}
	buf, asked := make([]byte, 512), time.Time{}
	for start := time.Now(); time.Since(start) < r.For && ctx.Err() == nil; {
		if request != nil && time.Since(asked) >= askEvery {
			asked = time.Now()
			if _, err := port.Write(request); err != nil {
				return err
			}
		}
		n, err := port.Read(buf)
		if err != nil {
			return wentAway(err)
		}
		if n > 0 {
			if _, err := fmt.Fprintf(r.Out, "%.3f %q\n", time.Since(start).Seconds(), buf[:n]); err != nil {
				return err
			}
		}
	}
	return nil
}
