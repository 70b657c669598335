package cart

import (
	"context"
	"time"

	"bayfill/bridge/closing"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// copyAgain is the pause before the next attempt when the second place refused a record.
const copyAgain = time.Minute

// runCopies appends each closing record to the second place as it is made, on a goroutine of
// its own: a slow network folder must not delay live values.
func (c *Cart) runCopies(ctx context.Context) {
	path := closing.CopyPath(c.copies, c.config.Name)
	report := c.reporter(wire.AlertRecords)
	for {
		var said fillcalc.Text
		var again <-chan time.Time // never
		list, err := c.journal.Closings(ctx)
		if err == nil {
			err = closing.Copy(path, c.shopName, c.config.Name, list)
		}
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			said, again = fillcalc.Text{Key: "alert.records", Names: map[string]string{"reason": err.Error()}}, time.After(copyAgain)
		}
		report(said)
		select {
		case <-ctx.Done():
			return
		case <-c.ended:
		case <-again:
		}
	}
}
