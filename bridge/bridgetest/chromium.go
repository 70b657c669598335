package bridgetest

import (
	"context"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// StartChromium starts a headless browser, which ends with the test, and returns a
// tab.
func StartChromium(t testing.TB) context.Context {
	t.Helper()
	path := NeedProgram(t, "chromium")
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.UserDataDir(t.TempDir()), chromedp.WSURLReadTimeout(time.Minute))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	tab, closeTab := chromedp.NewContext(ctx)
	t.Cleanup(closeTab)
	// The first action starts the browser, so it must not have a time limit of its own.
	if err := chromedp.Do(tab, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	return tab
}

// InBrowser runs an action in a tab and returns its value, within half a minute.
func InBrowser[T any](t testing.TB, tab context.Context, a chromedp.Action[T]) T {
	t.Helper()
	ctx, stop := context.WithTimeout(tab, 30*time.Second)
	defer stop()
	value, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	return value
}
