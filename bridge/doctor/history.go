package doctor

import (
	"context"
	"time"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
)

// history checks the history server with a comment, which leaves no point.
func (d *doctor) history(ctx context.Context, c *config.Config) {
	if c.History.URL == "" {
		d.ok("doctor.history_none")
		return
	}
	if _, err := c.History.Token.Read(); err != nil {
		return // already reported with the secrets
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if err := history.Check(ctx, c.History); err != nil {
		d.wrong("doctor.history_bad", "url", c.History.URL, "why", err)
		return
	}
	d.ok("doctor.history_good", "url", c.History.URL, "bucket", c.History.Bucket)
	version, err := history.Version(ctx, c.History)
	if err != nil || version == "" {
		version = "?"
	}
	switch err := audit.Reads(ctx, c.History); {
	case err != nil:
		d.look("doctor.history_unread", "version", version, "why", err)
	default:
		d.ok("doctor.history_read", "version", version)
	}
}
