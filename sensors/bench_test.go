package sensors

import (
	"math"
	"runtime/debug"
	"testing"

	"bayfill/fillcalc"
)

// goodFrames is one good frame of each protocol.
func goodFrames(t testing.TB) []struct {
	name  string
	p     Protocol
	frame []byte
	value float64
} {
	bits := math.Float32bits(12.345)
	return []struct {
		name  string
		p     Protocol
		frame []byte
		value float64
	}{
		{"sma", mustNew(t, "sma", Options{Quantity: Weight, CapacityKg: 30}), []byte("\n 1G      12.345kg \r"), 12.345},
		{"line", mustNew(t, "line", Options{Quantity: Weight, CapacityKg: 30, Pattern: "status-kind-value-unit"}), []byte("ST,GS,+0012.345kg\r\n"), 12.345},
		{"modbus", mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", CapacityKg: 30, Unit485: 1, Type: "float32"}),
			appendCRC([]byte{1, 3, 4, byte(bits >> 24), byte(bits >> 16), byte(bits >> 8), byte(bits)}), 12.345},
		{"scpi", mustNew(t, "scpi", Options{Quantity: Temperature, Unit: "C"}), []byte("+2.350000E+01\n"), 23.5},
	}
}

func BenchmarkDecode(b *testing.B) {
	for _, g := range goodFrames(b) {
		b.Run(g.name, func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(g.frame)))
			for b.Loop() {
				_, frame := g.p.Split(g.frame)
				if r, err := g.p.Parse(frame); err != nil || r.Value != g.value {
					b.Fatal(r, err)
				}
			}
		})
	}
}

// Good frames allocate no memory. The regular expression of a line allocates the
// slice of its match; the library offers no way around it.
func TestDecodingAllocatesNothing(t *testing.T) {
	for _, g := range goodFrames(t) {
		maxAllocs := 0.0
		if g.name == "line" {
			maxAllocs = 1
			if raceDetector() {
				maxAllocs = 2 // sync.Pool deliberately drops some under the race detector
			}
		}
		var faults fillcalc.Faults
		got := testing.AllocsPerRun(500, func() {
			_, frame := g.p.Split(g.frame)
			r, err := g.p.Parse(frame)
			if err != nil || r.Value != g.value {
				faults |= r.Faults | fillcalc.FaultFrame
			}
		})
		if faults != 0 {
			t.Errorf("%s: the frame is not good: %v", g.name, faults.Names())
		}
		if got > maxAllocs {
			t.Errorf("%s: %g allocations per frame, want at most %g", g.name, got, maxAllocs)
		}
	}
}

func raceDetector() bool {
	info, _ := debug.ReadBuildInfo()
	for _, setting := range info.Settings {
		if setting.Key == "-race" {
			return setting.Value == "true"
		}
	}
	return false
}
