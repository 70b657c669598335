package bridge

import (
	"testing"
	"testing/synctest"

	"bayfill/fillcalc"
)

// Whatever is changed in an event, the head differs; and it is the one recorded
// here, on every machine.
func TestChainSeesEveryField(t *testing.T) {
	e := fillcalc.Event{Seq: 7, AtNs: 1_750_000_000_123_456_789, Kind: fillcalc.KindWeight, Sensor: "caddy", N: 3,
		Value: 3.205, Stability: fillcalc.Stable, Faults: fillcalc.FaultUnit}
	const recorded = "daec8b7e1fd12afd4659af3a54afce108d69ab086d5f639007e15dd07a4ff4b8"
	was := Head{}.Link(&e)
	if was.String() != recorded {
		t.Errorf("the head is %s, recorded %s", was, recorded)
	}
	seen := map[Head]int{was: 0}
	for i, change := range []func(*fillcalc.Event){
		func(e *fillcalc.Event) { e.Seq++ }, func(e *fillcalc.Event) { e.AtNs++ }, func(e *fillcalc.Event) { e.Kind++ },
		func(e *fillcalc.Event) { e.Sensor = "cadd" }, func(e *fillcalc.Event) { e.N++ }, func(e *fillcalc.Event) { e.Value = 3.2050000000000005 },
		func(e *fillcalc.Event) { e.Stability++ }, func(e *fillcalc.Event) { e.Faults = 0 },
		func(e *fillcalc.Event) { e.Input = &fillcalc.Input{Do: fillcalc.DoTick} },
		func(e *fillcalc.Event) { e.Input = &fillcalc.Input{Do: fillcalc.DoTick, By: "me"} },
	} {
		other := e
		change(&other)
		h := Head{}.Link(&other)
		if before, twice := seen[h]; twice {
			t.Errorf("changes %d and %d give the same head", before, i+1)
		}
		seen[h] = i + 1
	}
	if was.Link(&e) == was {
		t.Error("an event twice is an event once")
	}
	var again Head
	if err := again.UnmarshalText([]byte(was.String())); err != nil || again != was {
		t.Errorf("%s read back is %s, %v", was, again, err)
	}
	for _, bad := range []string{"", "12", was.String() + "0", "zz" + was.String()[2:]} {
		if err := again.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q was taken for a head", bad)
		}
	}
}

func BenchmarkChainLink(b *testing.B) {
	e := fillcalc.Event{Seq: 7, AtNs: 1_750_000_000_123_456_789, Kind: fillcalc.KindWeight, Sensor: "caddy", Value: 3.205}
	var h Head
	b.ReportAllocs()
	for b.Loop() {
		h = h.Link(&e)
	}
}

// The chain on disk is the one over the events on disk, through commands, saving
// in pieces and a restart.
func TestChainFollowsTheJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLonely(t, lonelyConfig(t, memoryDir(t), caddyLines, supplyLines, probeLines))
		l.start()
		l.live(5, 0, 0)
		l.must(openTestJob)
		l.live(3, 0, 0)
		l.must(`"do":"abandon","why":"test"`)
		l.live(3, 0, 0)
		l.stop()
		journal, err := OpenJournal(l.path)
		if err != nil {
			t.Fatal(err)
		}
		defer journal.Close()
		events, err := journal.Events(t.Context(), 0, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		published, err := journal.PublishedBetween(t.Context(), 0, 1e9)
		if err != nil {
			t.Fatal(err)
		}
		all := Batch{Events: events}
		for _, p := range published {
			if p.Measurement != jobMeasurement {
				all.Published = append(all.Published, p)
			}
		}
		Chain{}.seal(&all)
		want := all.Chain
		if got, err := journal.Chain(); err != nil || got != want || want.JobSeq == 0 || want.JobHead == (Head{}) {
			t.Errorf("on disk is %+v, %v, the events give %+v", got, err, want)
		}
	})
}
