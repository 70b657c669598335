package bridgetest

import (
	"flag"
)

// A month takes ten to twenty minutes:
//
//	go test ./bridge -run TestSoak -v -timeout 60m -soak-days 30
var SoakDays = flag.Float64("soak-days", 0.17, "how many simulated days TestSoak lasts, at least four hours")

// footprint is what a process that runs for ever must not gather.
type Footprint struct {
	HeapKB, Goroutines, Descriptors, JournalKB, Events int
}
