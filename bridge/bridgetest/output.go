package bridgetest

import (
	"bytes"
	"log/slog"
	"os"
	"sync"
)

// Output collects what many goroutines write. It can be read while they write.
type Output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write adds to the output.
func (l *Output) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// String returns everything that was written.
func (l *Output) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// Log returns a logger that is silent unless BAYFILL_TEST_LOG is set.
func Log() *slog.Logger {
	if os.Getenv("BAYFILL_TEST_LOG") != "" {
		return slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	return slog.New(slog.DiscardHandler)
}
