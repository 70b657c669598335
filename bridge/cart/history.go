package cart

import (
	"context"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Journal is the cart's journal. Others may read it while the cart runs.
func (c *Cart) Journal() *journal.Journal { return c.journal }

// Grown receives a signal when the journal has grown; nil without a history.
func (c *Cart) Grown() <-chan struct{} { return c.grown }

// WatchHistory returns the function through which the forwarder reports: its trouble,
// empty when there is none, and how many lines the history has refused for good since
// the last report. The function keeps the dead letters within their bounds, and raises
// the alerts.
func (c *Cart) WatchHistory(ctx context.Context) (report func(trouble string, refused int), err error) {
	reportTrouble, reportRefused := c.reporter(wire.AlertHistory), c.reporter(wire.AlertHistoryRefused)
	text, err := c.journal.BoundDeadLetters(ctx)
	if err != nil {
		return nil, err
	}
	c.alert(wire.Alert{Code: wire.AlertHistoryRefused, Said: wire.Say(text)})
	checked := time.Now()
	return func(trouble string, refused int) {
		text := fillcalc.Text{}
		if trouble != "" {
			text = fillcalc.Text{Key: "alert.history", Names: map[string]string{"reason": trouble}}
		}
		reportTrouble(text)
		c.meter.refusedLines.Add(float64(refused))
		if refused == 0 && time.Since(checked) < time.Hour || ctx.Err() != nil {
			return
		}
		checked = time.Now()
		if text, err = c.journal.BoundDeadLetters(ctx); err != nil {
			c.log.Warn("lines that the history refused are not counted", "error", err)
			return
		}
		reportRefused(text)
	}, nil
}
