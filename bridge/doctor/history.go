package doctor

import (
	"context"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/history"
)

// history checks the history server with a comment, which leaves no point.
func (d *doctor) history(ctx context.Context, c *config.Config) {
	if c.History.URL == "" {
		d.ok("history: none is configured; the journal keeps a week")
		return
	}
	if _, err := c.History.Token.Read(); err != nil {
		return // already reported with the secrets
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if err := history.Check(ctx, c.History); err != nil {
		d.wrong("history: %s: %v; until then the journal keeps the readings, up to journal.max_mb", c.History.URL, err)
		return
	}
	d.ok("history: %s accepts points for bucket %s", c.History.URL, c.History.Bucket)
	if version, err := history.Version(ctx, c.History); err == nil && !history.Audits(version) {
		d.look("history: InfluxDB %s has no Flux, so bayfill audit cannot read it: audit from the journals (--journal), or copy points to a server of version 1.8 or 2", version)
	}
}
