package bridgetest

import (
	"math"

	"bayfill/bridge/wire"
)

// known is a published figure that has a value.
func Known(n wire.Number) bool { return !math.IsNaN(float64(n)) }
