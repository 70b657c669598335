package doctor

import (
	"context"
	"strings"
	"time"

	"bayfill/bridge/audit"
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
	version, err := history.Version(ctx, c.History)
	if err != nil || version == "" {
		version = "(it does not say which)"
	}
	switch err := audit.Reads(ctx, c.History); {
	case err != nil:
		d.look("history: InfluxDB %s takes points but cannot be read: %v; bayfill audit needs a token that may read the bucket, or audits from the journals (--journal)", version, err)
	case strings.HasPrefix(version, "3"):
		d.look("history: InfluxDB %s can be read by bayfill audit, but 3 Core refuses queries over more than about 72 hours of data: audit from the journals (--journal) then", version)
	default:
		d.ok("history: InfluxDB %s can be read by bayfill audit", version)
	}
}
