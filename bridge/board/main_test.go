package board

import (
	"os"
	"testing"

	"bayfill/bridge/bridgetest"
)

// chromium is the browser of this package's tests.
var chromium bridgetest.Chromium

func TestMain(m *testing.M) {
	code := m.Run()
	chromium.Close()
	os.Exit(code)
}
