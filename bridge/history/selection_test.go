package history

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// Whatever is kept between jobs, a job is whole: from its opening to what was published
// after its end, also when a batch ends in it. Commands and starts are always kept.
func TestSelectionKeepsJobsWhole(t *testing.T) {
	const second = int64(1e9)
	var b journal.Batch
	add := func(do fillcalc.Do) {
		e := fillcalc.Event{Seq: uint64(len(b.Events) + 1), AtNs: 1_750_000_000*second + int64(len(b.Events))*20*second, Kind: fillcalc.KindWeight, Sensor: "caddy", N: 1, Value: 3}
		if do != "" {
			e = fillcalc.Event{Seq: e.Seq, AtNs: e.AtNs, Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: do}}
		}
		b.Events = append(b.Events, e)
		b.Published = append(b.Published, points.Published{Seq: e.Seq, Measurement: points.WindowMeasurement, Fields: `state="blind"`})
	}
	// Events 20 s apart: 1 start, 2-7 idle, 8 open, 9-12, 13 close, 14 idle, 15 a tick, 16-18 idle.
	add(fillcalc.DoStart)
	for range 6 {
		add("")
	}
	add(fillcalc.DoOpen)
	for range 4 {
		add("")
	}
	add(fillcalc.DoClose)
	b.Published = append(b.Published, points.Published{Seq: 13, Measurement: points.JobMeasurement, Fields: `job="a"`})
	add("")
	add(fillcalc.DoTick)
	for range 3 {
		add("")
	}
	slices.SortFunc(b.Published, func(x, y points.Published) int {
		return 10*(int(x.Seq)-int(y.Seq)) + strings.Compare(x.Measurement, y.Measurement)
	})
	j := journaltest.Open(t, t.TempDir()+"/cart.journal")
	journaltest.Append(t, j, b)
	for between, want := range map[config.BetweenJobs]string{
		"":                "1iw 2rw 3rw 4rw 5rw 6rw 7rw 8iw 9rw 10rw 11rw 12rw 13ijw 14rw 15iw 16rw 17rw 18rw",
		config.KeepAll:    "1iw 2rw 3rw 4rw 5rw 6rw 7rw 8iw 9rw 10rw 11rw 12rw 13ijw 14rw 15iw 16rw 17rw 18rw",
		config.KeepMinute: "1iw 2rw 5rw 8iw 9rw 10rw 11rw 12rw 13ijw 14rw 17rw",
		config.KeepNone:   "1i 8iw 9rw 10rw 11rw 12rw 13ijw",
	} {
		for _, batch := range []int{1, 5, 100} {
			if got := keptOf(t, j, between, batch); got != want {
				t.Errorf("%q in batches of %d:\n%s, want\n%s", between, batch, got, want)
			}
		}
	}
}

// keptOf names what of a journal is kept: each event that leaves a line, with the first
// letters of its measurements.
func keptOf(t *testing.T, j *journal.Journal, between config.BetweenJobs, batch int) string {
	t.Helper()
	selected := Selection{Between: between}
	var got []string
	for after := uint64(0); ; after += uint64(batch) {
		events, lines, err := Lines(t.Context(), j, "test", "cart", after, batch, &selected)
		if err != nil {
			t.Fatal(err)
		}
		if len(events) == 0 {
			return strings.Join(got, " ")
		}
		for _, e := range events {
			letters := ""
			for _, line := range lines {
				p, _, _, err := points.ParseLine(line)
				if err != nil {
					t.Fatal(err)
				}
				if p.AtNs == e.AtNs {
					letters += strings.TrimPrefix(p.Measurement, "bayfill_")[:1]
				}
			}
			if letters != "" {
				got = append(got, fmt.Sprint(e.Seq)+letters)
			}
		}
	}
}
