package bridgetest

import (
	"math"

	"bayfill/bridge/wire"
)

// Known reports whether a published figure has a value.
func Known(n wire.Number) bool { return !math.IsNaN(float64(n)) }
