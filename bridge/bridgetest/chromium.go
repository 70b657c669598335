package bridgetest

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// Chromium is a headless browser that tests share, since its start takes more time than most
// of them. The zero value starts it with the first tab.
type Chromium struct {
	mu   sync.Mutex
	ctx  context.Context // nil until the browser runs
	stop []context.CancelFunc
}

// Tab opens a tab that ends with the test. It shares no cookie and no stored value with others.
func (c *Chromium) Tab(t testing.TB) context.Context {
	t.Helper()
	c.start(t)
	tab, closeTab := chromedp.NewContext(c.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(closeTab)
	// The first action opens the tab, so it must not have a time limit of its own.
	if err := chromedp.Do(tab, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	// Only one tab of a browser has the focus, and keys need it.
	InBrowser(t, tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true})
		return chromedp.Void{}, err
	})
	return tab
}

func (c *Chromium) start(t testing.TB) {
	t.Helper()
	path := NeedProgram(t, "chromium")
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ctx != nil {
		return
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.WSURLReadTimeout(time.Minute))
	allocator, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, closeBrowser := chromedp.NewContext(allocator)
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		closeBrowser()
		stop()
		t.Fatal(err)
	}
	c.ctx, c.stop = ctx, []context.CancelFunc{closeBrowser, stop}
}

// Close ends the browser.
func (c *Chromium) Close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, stop := range c.stop {
		stop()
	}
	c.ctx, c.stop = nil, nil
}

// StartChromium starts a headless browser, which ends with the test, and returns a
// tab.
func StartChromium(t testing.TB) context.Context {
	t.Helper()
	c := new(Chromium)
	t.Cleanup(c.Close)
	return c.Tab(t)
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
