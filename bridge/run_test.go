package bridge

import (
	"context"
	"slices"
	"sync"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/sim"
)

// sound reports whether there are no alerts except that simulated instruments were never
// calibrated.
func sound(m wire.Alerts) bool {
	return !slices.ContainsFunc(m.Alerts, func(a wire.Alert) bool { return a.Code != wire.AlertCalibration })
}

func testConfig(t testing.TB, rig *sim.Rig, data, brokerURL, historyURL string) *config.Config {
	t.Helper()
	c, err := config.Parse([]byte(bridgetest.ConfigText(rig, data, brokerURL, historyURL)))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// runBridge runs a bridge until stop is called or the test ends.
func runBridge(t testing.TB, c *config.Config, speed float64) (b *Bridge, stop func()) {
	t.Helper()
	return runBridgeWith(t, c, Options{Speed: speed}, nil)
}

// runBridgeWith is the same, and change may change the bridge before it runs.
func runBridgeWith(t testing.TB, c *config.Config, o Options, change func(*Bridge)) (b *Bridge, stop func()) {
	t.Helper()
	bridgetest.Slow(t) // it lives in real time
	if o.Log == nil {
		o.Log = bridgetest.Log()
	}
	ctx, cancel := context.WithCancel(context.Background())
	b, err := New(ctx, c, o)
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	if change != nil {
		change(b)
	}
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Errorf("bridge: %v", err)
			}
		})
	}
	t.Cleanup(stop)
	return b, stop
}
