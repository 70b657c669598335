package main

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"
)

// The slog handlers that sample, such as samber/slog-sampling, drop repetitions without a
// word: this one is our own because an operator must see how often something happened.

const (
	// logWindow is the time over which repetitions are counted before their number is
	// logged.
	logWindow = time.Minute
	// maxVariants is how many records that differ only in their attributes pass in that
	// time: who floods the log may change those each time.
	maxVariants = 20
)

// limiter is a log handler that passes a repeated record once, and then logs every
// minute how often it was repeated. So a single problem neither hides the others nor
// fills the disk.
type limiter struct {
	next   slog.Handler
	with   string // what WithAttrs and WithGroup have added
	counts *repeats
}

// repeats are the records that are being counted.
type repeats struct {
	mu sync.Mutex
	of map[string]*repeat // by level, logger and message
}

// repeat is one message within its window.
type repeat struct {
	passed  map[string]bool // attributes of the records that were passed on
	dropped int
	last    slog.Record // of those dropped
	next    slog.Handler
	since   time.Time
	timer   *time.Timer
}

// limitLog wraps a logger. flush, to be called at the end, logs what has been counted so
// far.
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
		n = &repeat{passed: map[string]bool{}, next: l.next, since: time.Now()}
		n.timer = time.AfterFunc(logWindow, func() { c.windowEnds(key, n) })
		c.of[key] = n
	}
	if n.passed[attrs.String()] || len(n.passed) == maxVariants {
		n.dropped++
		n.last = r.Clone()
		return nil
	}
	n.passed[attrs.String()] = true
	return l.next.Handle(ctx, r)
}

// windowEnds logs how many records were dropped, and starts the next window; without any
// it stops counting.
func (c *repeats) windowEnds(key string, n *repeat) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.of[key] != n {
		return // flushed in the meantime
	}
	if n.dropped == 0 {
		delete(c.of, key)
		return
	}
	n.report()
	n.timer.Reset(logWindow)
}

// report logs how many records were dropped since the last report.
func (n *repeat) report() {
	if n.dropped == 0 {
		return
	}
	now := time.Now()
	span := "minute"
	if passed := now.Sub(n.since); passed < logWindow {
		span = fmt.Sprintf("%.0f s", passed.Seconds())
	}
	r := slog.NewRecord(now, n.last.Level, fmt.Sprintf("%s: repeated %d times in the last %s", n.last.Message, n.dropped, span), 0)
	n.last.Attrs(func(a slog.Attr) bool { r.AddAttrs(a); return true })
	n.next.Handle(context.Background(), r)
	n.dropped, n.since = 0, now
}

func (c *repeats) flush() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, n := range c.of {
		n.timer.Stop()
		n.report()
	}
	clear(c.of)
}
