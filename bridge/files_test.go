package bridge

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
)

// Whole carts are refused before the start where there are not enough open files, and what is
// asked for is enough for the carts as they run.
func TestFilesOfManyCarts(t *testing.T) {
	const carts = 12
	one := bridgetest.SmallConfig[strings.Index(bridgetest.SmallConfig, "  - name: bay2"):]
	text := strings.TrimSuffix(strings.Replace(bridgetest.SmallConfig, "/tmp/x", t.TempDir(), 1), one)
	for i := range carts {
		text += strings.NewReplacer("bay2", fmt.Sprintf("bay%d", i), "/dev/ttyX", fmt.Sprintf("/dev/ttyX%d", i)).Replace(one)
	}
	path := filepath.Join(t.TempDir(), "bayfill.yaml")
	if err := os.WriteFile(path, []byte(text+"broker: {listen: '127.0.0.1:0'}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	need := filesNeeded(c)
	if err := enoughFiles(c, uint64(need)); err != nil {
		t.Error(err)
	}
	if err := enoughFiles(c, uint64(need-1)); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("carts: 12 carts may have %d files open at once, and the system allows %d", need, need-1)) {
		t.Errorf("%v", err)
	}
	open := func() int { entries, _ := os.ReadDir("/proc/self/fd"); return len(entries) }
	before := open()
	b, _ := runBridgeWith(t, c, Options{Open: bridgetest.Mute}, nil)
	bridgetest.Eventually(t, 20*time.Second, "all links", func() bool {
		for _, cart := range b.carts {
			if !cart.Connected() {
				return false
			}
		}
		return true
	})
	journaltest.EventCount(t, b.carts[0].Journal())
	if each := float64(open()-before) / carts; each > filesOfCart || each < filesOfCart/2 {
		t.Errorf("a cart has %.1f files open, %d are asked for", each, filesOfCart)
	} else {
		t.Logf("%.1f files a cart", each)
	}
}
