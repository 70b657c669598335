package board

import (
	"flag"
	"os"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"bayfill/bridge/bridgetest"
)

var renew = flag.Bool("update", false, "renew the picture of README")

// README shows the page in mid-pour: go test ./bridge/board -run ReadmePicture -update
func TestReadmePicture(t *testing.T) {
	const path = "testdata/filling.png"
	if *renew {
		tab := chromium.Tab(t)
		b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
		for _, s := range states() {
			if s.name == "filling" {
				s.hear(b, time.Now())
			}
		}
		prefer(t, tab, "light")
		do(t, tab, chromedp.EmulateViewport(960, 540), chromedp.Navigate(server.URL+"/cart/bay2"))
		if err := os.WriteFile(path, bridgetest.InBrowser(t, tab, chromedp.FullScreenshot(100)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if info, err := os.Stat(path); err != nil || info.Size() > 150_000 {
		t.Errorf("%v, %+v", err, info)
	}
}
