package bridgetest

import (
	"bytes"
	"sync"
)

// LockedLog collects what many goroutines log.
type LockedLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write adds to the log.
func (l *LockedLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// Text returns everything that was logged.
func (l *LockedLog) Text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
