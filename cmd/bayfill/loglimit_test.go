package main

import (
	"bayfill/bridge/bridgetest"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A repeated record passes once and is counted; other records pass; no count is lost at
// the end.
func TestLogIsLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bridgetest.Output
		seen := 0
		log, flush := limitLog(slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}})))
		said := func(want ...string) {
			t.Helper()
			synctest.Wait()
			all := out.String()
			if got := all[seen:]; got != strings.Join(append(want, ""), "\n") {
				t.Errorf("said\n%swant\n%s", got, strings.Join(want, "\n"))
			}
			seen = len(all)
		}
		bay2, bay3 := log.With("cart", "bay2"), log.With("cart", "bay3")
		for range 58 {
			bay2.Warn("command refused", "error", "a")
			time.Sleep(time.Second)
		}
		bay2.Info("command refused", "error", "a")
		bay2.Warn("alert", "error", "a")
		bay2.Warn("command refused", "error", "b")
		bay3.Warn("command refused", "error", "a")
		bay3.WithGroup("g").Warn("command refused", "error", "a")
		said(`level=WARN msg="command refused" cart=bay2 error=a`,
			`level=INFO msg="command refused" cart=bay2 error=a`,
			`level=WARN msg=alert cart=bay2 error=a`,
			`level=WARN msg="command refused" cart=bay2 error=b`,
			`level=WARN msg="command refused" cart=bay3 error=a`,
			`level=WARN msg="command refused" cart=bay3 g.error=a`)
		time.Sleep(3 * time.Second)
		said(`level=WARN msg="command refused: repeated 57 times in the last minute" cart=bay2 error=a`)

		// While it goes on it is counted and not passed again. A minute without it ends that.
		bay2.Warn("command refused", "error", "a")
		time.Sleep(time.Minute)
		said(`level=WARN msg="command refused: repeated 1 times in the last minute" cart=bay2 error=a`)
		time.Sleep(2 * time.Minute)
		bay2.Warn("command refused", "error", "a")
		said(`level=WARN msg="command refused" cart=bay2 error=a`)

		// Attributes that change each time do not get around the limit.
		time.Sleep(2 * time.Minute)
		for i := range 1000 {
			bay2.Warn("command refused", "id", i)
		}
		var first []string
		for i := range maxVariants {
			first = append(first, fmt.Sprintf(`level=WARN msg="command refused" cart=bay2 id=%d`, i))
		}
		said(first...)
		time.Sleep(10 * time.Second)
		flush()
		said(fmt.Sprintf(`level=WARN msg="command refused: repeated %d times in the last 10 s" cart=bay2 id=999`, 1000-maxVariants))
		time.Sleep(5 * time.Minute)
		said()
	})
}
