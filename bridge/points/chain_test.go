package points

import (
	"testing"

	"bayfill/fillcalc"
)

// A change of any field of an event changes the head, and the head is the recorded one
// on every machine.
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
		t.Error("an event that is linked twice gives the same head")
	}
	var again Head
	if err := again.UnmarshalText([]byte(was.String())); err != nil || again != was {
		t.Errorf("%s read back is %s, %v", was, again, err)
	}
	for _, bad := range []string{"", "12", was.String() + "0", "zz" + was.String()[2:]} {
		if err := again.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q was accepted as a head", bad)
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
