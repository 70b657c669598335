package board

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
)

// The result card prints on half a sheet, with where used oil goes and without buttons.
func TestCardOnPaper(t *testing.T) {
	t.Parallel()
	tab := chromium.Tab(t)
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	named(t, "closed in doubt").hear(b, time.Now())
	bridgetest.InBrowser(t, tab, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		return chromedp.Void{}, err
	})
	do(t, tab, chromedp.EmulateViewport(559, 794), chromedp.Navigate(server.URL+"/cart/bay2")) // A5 in px of 1/96 inch
	keep(t, tab, "paper")
	if wrong := script[[]string](t, tab, `[...document.querySelectorAll("button, .fig")].filter((e) => e.checkVisibility()).map((e) => "shows " + e.textContent)
		.concat(document.querySelector(".paper").checkVisibility() ? [] : ["no word about used oil"],
			document.documentElement.scrollHeight <= 794 ? [] : ["more than a page"], [...document.querySelectorAll(".rows p")].filter((e) => !e.checkVisibility()).map((e) => "misses " + e.textContent))`); len(wrong) > 0 {
		t.Error(wrong)
	}
	printed := script[string](t, tab, `document.querySelector(".rows").innerText`)
	for _, part := range []string{"van6-overflow", "filter changed", "Used oil collected", "11.0 N·m", "bayfill ticket van-7", "Never into a drain"} {
		if !strings.Contains(printed, part) {
			t.Errorf("the ticket does not say %q: %s", part, printed)
		}
	}
}
