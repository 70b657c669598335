package journaltest

import (
	"cmp"
	"slices"
	"strings"
	"testing"
	"time"

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
			p := points.Point{Measurement: measurement, AtNs: r["_time"].(time.Time).UnixNano(), Fields: points.Fields{}}
			p.Sensor, _ = r["sensor"].(string)
			for name, value := range r {
				switch value.(type) {
				case int64, float64, string:
					if !strings.HasPrefix(name, "_") && !slices.Contains([]string{"result", "table", "shop", "cart", "sensor"}, name) {
						p.Fields[name] = value
					}
				}
			}
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
