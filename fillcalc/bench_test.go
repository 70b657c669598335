package fillcalc

import (
	"math/rand/v2"
	"testing"
)

// jobEvents returns the events of a 45-minute job: 27,000 weights and 5,400
// temperatures, with a drain, a tool, a fill and a warm-up.
func jobEvents() []Event {
	var events []Event
	rng := rand.New(rand.NewPCG(3, 3))
	atNs := int64(1_750_000_000e9)
	add := func(e Event) {
		e.Seq, e.AtNs = uint64(len(events)+1), atNs
		events = append(events, e)
	}
	input := func(in Input) { atNs++; add(Event{Kind: KindInput, Input: &in}) }
	setup := twoScales()
	input(Input{Do: DoStart, Setup: setup})
	caddy, supply, c := 3.0, 9.0, 28.0
	for i := range 13500 {
		atNs += 200e6
		switch {
		case i == 50:
			input(Input{Do: DoOpen, Job: aJob()})
		case i == 70:
			input(Input{Do: DoPhase, Phase: Draining})
		case i > 100 && i < 500:
			caddy += 0.008
		case i == 3000:
			caddy += 0.45
		case i == 6000:
			input(Input{Do: DoPhase, Phase: Filling})
		case i > 6000 && i < 6300:
			supply -= 0.01
		case i > 7000:
			c += 0.003
		}
		add(Event{Kind: KindWeight, Sensor: "caddy", N: uint64(i), Value: caddy + 0.002*rng.NormFloat64(), Stability: Stable})
		add(Event{Kind: KindWeight, Sensor: "supply", N: uint64(i), Value: supply + 0.002*rng.NormFloat64(), Stability: Stable})
		if i%5 < 2 {
			add(Event{Kind: KindTemperature, Sensor: "probe", N: uint64(i), Value: c})
		}
	}
	return events
}

func BenchmarkFoldOneReading(b *testing.B) {
	events := jobEvents()
	var s State
	for _, e := range events[:1000] {
		s = Apply(s, e)
	}
	e := events[len(events)-2]
	b.ReportAllocs()
	for b.Loop() {
		e.Seq++
		e.AtNs += 100e6
		s = Apply(s, e)
	}
}

func BenchmarkFoldJobOf45Minutes(b *testing.B) {
	events := jobEvents()
	for b.Loop() {
		var s State
		for _, e := range events {
			s = Apply(s, e)
		}
		if len(s.Job.Changes) != 1 {
			b.Fatalf("%d changes", len(s.Job.Changes))
		}
	}
	b.ReportMetric(float64(len(events)), "events/op")
}

func BenchmarkVolumes(b *testing.B) {
	var s State
	for _, e := range jobEvents() {
		s = Apply(s, e)
	}
	b.ReportAllocs()
	for b.Loop() {
		s.Volumes()
	}
}

func BenchmarkDensity(b *testing.B) {
	for _, model := range []DensityModel{Oil1980, Oil2004} {
		b.Run(string(model), func(b *testing.B) {
			f := Fluid{Model: model, DensityKgM3: 850, AtC: 15}
			b.ReportAllocs()
			for b.Loop() {
				f.Density(80)
			}
		})
	}
}

func TestReadingDoesNotAllocate(t *testing.T) {
	events := jobEvents()
	var s State
	for _, e := range events[:1000] {
		s = Apply(s, e)
	}
	i := 1000
	if n := testing.AllocsPerRun(1000, func() { s = Apply(s, events[i]); i++ }); n != 0 {
		t.Errorf("a reading allocates %v times", n)
	}
}
