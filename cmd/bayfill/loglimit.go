package main

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"
)

const (
	// logWindow is how long repetitions are counted before their number is told.
	logWindow = time.Minute
	// mostAlike is how many records that differ in their attributes alone go through
	// in that time: who floods the log may change those each time.
	mostAlike = 20
)

// limiter is a log handler that lets a repeated record through once and then tells
// every minute how often it has come, so that one trouble neither hides the others
// nor fills the disk.
type limiter struct {
	next   slog.Handler
	with   string // what WithAttrs and WithGroup have added
	counts *repeats
}

type repeats struct {
	mu sync.Mutex
	of map[string]*repeat // by level, logger and message
}

type repeat struct {
	told  map[string]bool // the attributes of those that went through
	held  int
	last  slog.Record // of those held
	next  slog.Handler
	since time.Time
	timer *time.Timer
}

// limitLog wraps a log; flush tells what is still counted, at the end.
func limitLog(log *slog.Logger) (limited *slog.Logger, flush func()) {
	counts := &repeats{of: map[string]*repeat{}}
	return slog.New(&limiter{log.Handler(), "", counts}), counts.flush
}

func (l *limiter) Enabled(ctx context.Context, level slog.Level) bool {
	return l.next.Enabled(ctx, level)
}

func (l *limiter) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &limiter{l.next.WithAttrs(attrs), fmt.Sprint(l.with, attrs), l.counts}
}

func (l *limiter) WithGroup(name string) slog.Handler {
	return &limiter{l.next.WithGroup(name), fmt.Sprint(l.with, name, "."), l.counts}
}

func (l *limiter) Handle(ctx context.Context, r slog.Record) error {
	var attrs strings.Builder
	r.Attrs(func(a slog.Attr) bool { fmt.Fprintf(&attrs, "%q ", a.String()); return true })
	key := fmt.Sprintf("%v %q %q", r.Level, l.with, r.Message)

	c := l.counts
	c.mu.Lock()
	defer c.mu.Unlock()
	n := c.of[key]
	if n == nil {
		n = &repeat{told: map[string]bool{}, next: l.next, since: time.Now()}
		n.timer = time.AfterFunc(logWindow, func() { c.windowEnds(key, n) })
		c.of[key] = n
	}
	if n.told[attrs.String()] || len(n.told) == mostAlike {
		n.held++
		n.last = r.Clone()
		return nil
	}
	n.told[attrs.String()] = true
	return l.next.Handle(ctx, r)
}

// windowEnds tells what was held, and goes on counting while there is anything.
func (c *repeats) windowEnds(key string, n *repeat) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.of[key] != n {
		return // flushed meanwhile
	}
	if n.held == 0 {
		delete(c.of, key)
		return
	}
	n.tell()
	n.timer.Reset(logWindow)
}

func (n *repeat) tell() {
	if n.held == 0 {
		return
	}
	now := time.Now()
	span := "minute"
	if passed := now.Sub(n.since); passed < logWindow {
		span = fmt.Sprintf("%.0f s", passed.Seconds())
	}
	r := slog.NewRecord(now, n.last.Level, fmt.Sprintf("%s: repeated %d times in the last %s", n.last.Message, n.held, span), 0)
	n.last.Attrs(func(a slog.Attr) bool { r.AddAttrs(a); return true })
	n.next.Handle(context.Background(), r)
	n.held, n.since = 0, now
}

func (c *repeats) flush() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, n := range c.of {
		n.timer.Stop()
		n.tell()
	}
	clear(c.of)
}
