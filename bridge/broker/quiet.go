package broker

import (
	"context"
	"log/slog"

	mqttd "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// maxLogged is how many bytes of a text from the network are logged.
const maxLogged = 100

// quiet is a log handler for the library, which logs whole packets: a password, a will, a
// payload. It passes no packet, shortens long texts, and drops the records without a
// message that repeat each refused connection, and the warning at each client that wants to
// hear soon whether the broker lives, as those of this program do.
type quiet struct{ slog.Handler }

func (q quiet) Handle(ctx context.Context, r slog.Record) error {
	if r.Message == "" || r.Message == mqttd.ErrMinimumKeepalive.Error() {
		return nil
	}
	clean := slog.NewRecord(r.Time, r.Level, r.Message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		switch v := a.Value.Any().(type) {
		case packets.Packet, *packets.Packet:
			return true
		case string:
			a.Value = slog.StringValue(shortened(v))
		}
		clean.AddAttrs(a)
		return true
	})
	return q.Handler.Handle(ctx, clean)
}

func (q quiet) WithAttrs(attrs []slog.Attr) slog.Handler { return quiet{q.Handler.WithAttrs(attrs)} }
func (q quiet) WithGroup(name string) slog.Handler       { return quiet{q.Handler.WithGroup(name)} }

// shortened cuts a long text from the network.
func shortened(text string) string {
	if len(text) > maxLogged {
		return text[:maxLogged] + "…"
	}
	return text
}
