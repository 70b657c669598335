package bridgetest

import (
	"bytes"
	"sync"
)

// lockedLog collects what is logged from many goroutines.
type LockedLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *LockedLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *LockedLog) Text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
