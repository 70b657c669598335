// Command bayfill is a workshop sensor bridge for measured fill: scale and
// probe in, drained and added volumes out on MQTT.
package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"bayfill/bridge"
)

// exitConfig tells a service manager that starting again will not help.
const exitConfig = 78

// configError is an error that only the operator can mend.
type configError struct{ error }

func main() {
	// The first signal asks for a clean stop; the second, with the handler gone,
	// ends the process.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	root := &cobra.Command{
		Use:           "bayfill",
		Short:         "Weigh what leaves a transmission and what goes back in",
		Version:       bridge.Version,
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.AddCommand(runCommand(), checkCommand(), portsCommand(), listenCommand(), simCommand(), demoCommand())
	err := root.ExecuteContext(ctx)
	var config configError
	switch {
	case err == nil:
	case errors.As(err, &config):
		fmt.Fprintln(os.Stderr, "bayfill:", err)
		os.Exit(exitConfig)
	default:
		fmt.Fprintln(os.Stderr, "bayfill:", err)
		os.Exit(1)
	}
}

// newLog writes to standard error; under journald the time is left to it.
func newLog(level slog.Level) *slog.Logger {
	options := &slog.HandlerOptions{Level: level}
	if os.Getenv("JOURNAL_STREAM") != "" {
		options.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}
	}
	return slog.New(slog.NewTextHandler(os.Stderr, options))
}
