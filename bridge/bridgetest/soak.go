package bridgetest

import (
	"flag"
)

// SoakDays is the length of TestSoak and TestMonthOnRealServers. A month takes ten to
// twenty minutes:
//
//	go test ./bridge/cart -run TestSoak -v -timeout 60m -soak-days 30
//	go test ./bridge -run TestMonthOnRealServers -v -timeout 60m -soak-days 30
var SoakDays = flag.Float64("soak-days", 0.17, "how many simulated days TestSoak and TestMonthOnRealServers last, at least four hours")

// Footprint is what must not grow in a process that runs for ever.
type Footprint struct {
	HeapKB, Goroutines, Descriptors, JournalKB, Events int
}
