package journaltest

import (
	"cmp"
	"slices"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// EventsFromHistory reads all readings and inputs from InfluxDB, in the order of their
// sequence numbers.
func EventsFromHistory(t *testing.T, history *bridgetest.Influx) []fillcalc.Event {
	t.Helper()
	var events []fillcalc.Event
	for _, measurement := range []string{points.ReadingMeasurement, points.InputMeasurement} {
		for _, r := range history.Rows(measurement) {
			p := points.Point{Measurement: measurement, Sensor: r.Tags["sensor"], AtNs: r.AtNs, Fields: r.Fields}
			e, err := p.Event()
			if err != nil {
				t.Fatalf("%v: %v", r, err)
			}
			events = append(events, e)
		}
	}
	sortBySeq(events)
	return events
}

func sortBySeq(events []fillcalc.Event) {
	slices.SortFunc(events, func(a, b fillcalc.Event) int { return cmp.Compare(a.Seq, b.Seq) })
}
