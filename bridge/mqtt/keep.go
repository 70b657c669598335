package mqtt

import (
	"context"
	"time"
)

const (
	firstRetry = time.Second
	// stableAfter is how long it takes from the start of an attempt until the next
	// pause is a short one again.
	stableAfter = 30 * time.Second
)

// Keep keeps a connection to e until ctx ends. It dials, calls use, closes the
// connection when use has returned, pauses and starts over. The pause starts at 1 s
// and doubles up to e.MaxRetry; it is 1 s again after a connection of 30 s.
//
// use must return when its context ends or the connection is lost, and returns why.
// failed gets that reason, or the one why there was no connection, before each pause;
// it is not called when ctx has ended. Both run on Keep's own goroutine.
func Keep(ctx context.Context, e Endpoint, use func(context.Context, *Conn) error, failed func(error)) {
	e = e.withDefaults()
	retry := firstRetry
	for ctx.Err() == nil {
		start := time.Now()
		err := connection(ctx, e, use)
		if ctx.Err() != nil {
			return
		}
		failed(err)
		if time.Since(start) > stableAfter {
			retry = firstRetry
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(retry):
		}
		retry = min(2*retry, e.MaxRetry)
	}
}

// connection is one connection from dial to close.
func connection(ctx context.Context, e Endpoint, use func(context.Context, *Conn) error) error {
	c, err := Dial(ctx, e)
	if err != nil {
		return err
	}
	defer c.Close()
	return use(ctx, c)
}
