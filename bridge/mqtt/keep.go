package mqtt

import (
	"context"
	"fmt"
	"time"
)

// PlaceError says which of the addresses failed.
type PlaceError struct {
	URL  string
	Err  error
	Last bool // no other address is tried at once
}

func (e *PlaceError) Error() string { return fmt.Sprintf("%s: %v", e.URL, e.Err) }

func (e *PlaceError) Unwrap() error { return e.Err }

// Keep keeps a connection to e until ctx ends. It dials, calls use, closes the
// connection when use has returned, and starts over: at once with the next of the
// addresses that are due, or after a pause. The pause of an address starts at 1 s and
// doubles up to e.MaxRetry; it is 1 s again after a connection of 30 s. A host name with
// several addresses counts as several.
//
// use must return when its context ends or the connection is lost, and returns why.
// failed gets that reason, or the one why there was no connection, before each pause;
// it is not called when ctx has ended. Both run on Keep's own goroutine.
func Keep(ctx context.Context, e Endpoint, use func(context.Context, *Conn) error, failed func(*PlaceError)) {
	turns := newTurns(e)
	for ctx.Err() == nil {
		p, within := turns.next(ctx)
		if ctx.Err() != nil {
			return
		}
		start := time.Now()
		err := connection(ctx, turns.endpoint, p, within, use)
		if ctx.Err() != nil {
			return
		}
		turns.failed(p, start)
		failed(&PlaceError{p.String(), err, turns.last()})
	}
}

// connection is one connection from dial to close.
func connection(ctx context.Context, e Endpoint, p place, within time.Duration, use func(context.Context, *Conn) error) error {
	c, err := dial(ctx, e, p, within)
	if err != nil {
		return err
	}
	defer c.Close()
	return use(ctx, c)
}
