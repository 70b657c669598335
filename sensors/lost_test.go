package sensors

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"bayfill/fillcalc"
)

// Lost bytes. When frames have a checksum, a beginning and fixed positions, or a
// fixed length, no weight is read that was not sent. With a checksum this holds even
// when whole runs of bytes are lost; without one, a lost run may join the halves of
// two frames into one. Lines without a fixed length, and bare numbers, cannot show
// that a digit is missing. This test counts how often that happens; it is the reason
// to set width. The seeds are fixed, because a checksum of 16 bits is right by
// accident once in 65,536 times.
func TestLostBytes(t *testing.T) {
	bare := dialect{name: "line without width", q: Weight, p: mustNew(t, "line", Options{Quantity: Weight, Pattern: "status-kind-value-unit"})}
	all := dialects(t)
	for _, d := range all {
		if d.name == "line" {
			bare.make = d.make
		}
	}
	for _, d := range append(all, bare) {
		blind := d.name == "scpi" || d.name == bare.name
		var read, wrong, refused int
		for seed := range uint64(40) {
			r := rand.New(rand.NewPCG(seed, 11))
			share := []float64{0.002, 0.01, 0.05}[seed%3]
			runs := strings.HasPrefix(d.name, "modbus") && seed%2 == 0
			sent := map[float64]bool{}
			var stream []byte
			for range 200 {
				frame, v := d.make(r)
				sent[v] = true
				stream = append(stream, frame...)
			}
			var arrives []byte
			for i := 0; i < len(stream); i++ {
				if r.Float64() >= share {
					arrives = append(arrives, stream[i])
				} else if runs {
					i += r.IntN(30)
				}
			}
			take(t, d.p, cuts(r, arrives), func(frame []byte, reading Reading, err error) {
				switch {
				case err != nil:
					refused++
				case sent[reading.Value]:
					read++
				default:
					wrong++
					if !blind {
						t.Errorf("%s, seed %d: %q read as %g, which was never sent", d.name, seed, frame, reading.Value)
					}
				}
			})
		}
		if read < 3000 || refused < 100 || blind && wrong == 0 {
			t.Errorf("%s: %d read, %d refused, %d wrong: the test covers too little", d.name, read, refused, wrong)
		}
		t.Logf("%s: of 8000 frames %d read right, %d wrong, %d damaged", d.name, read, wrong, refused)
	}
}

// An instrument that sends random bytes as fast as its line allows, 11,520 bytes a
// second: no value is read, the condition is reported within seconds, the journal
// is not flooded, and frames are good again when it stops. SCPI is left out: there,
// a digit before a line end is a good answer.
func TestRunBabbleAtFullRate(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for _, p := range []Protocol{
		mustNew(t, "line", Options{Quantity: Weight, Pattern: "status-kind-value-unit", Width: 17}),
		mustNew(t, "sma", Options{Quantity: Weight, Repeat: true}),
		mustNew(t, "modbus", Options{Quantity: Weight, Unit: "kg", Unit485: 1, Type: "int32"}),
	} {
		frame := map[string]string{
			"line": "\r\n" + goodLine, "sma": "\n 1G       1.250kg \r", "modbus": string(appendCRC([]byte{1, 3, 4, 0, 0, 0, 9})),
		}[p.Name]
		for name, babble := range map[string]func() byte{
			"anything":    func() byte { return byte(rng.Uint32()) },
			"short lines": func() byte { return "x\n\r"[rng.IntN(3)] },
		} {
			bubble(t, p, func(d *stand) {
				const long = 20 * time.Second
				for range int(long / (10 * time.Millisecond)) {
					b := make([]byte, 115)
					for i := range b {
						b[i] = babble()
					}
					d.plugged.send(string(b))
					d.wait(10 * time.Millisecond)
				}
				for _, r := range d.readings {
					if r.Faults&(fillcalc.FaultChecksum|fillcalc.FaultFrame) == 0 {
						t.Errorf("%s of %s: read as %+v", name, p.Name, r)
					}
				}
				if n := len(d.readings); n > int(long/garbledEvery)+1 {
					t.Errorf("%s of %s: %d damaged frames in %v were passed on", name, p.Name, n, long)
				}
				d.wantLast(Nonsense, 3*time.Second, 4*time.Second, "no good frame")
				d.wait(2 * framePause)
				d.stream(frame, 100*time.Millisecond, time.Second)
				d.wantLast(Good, 0, long+2*framePause+300*time.Millisecond, "frames arrive")
			})
		}
	}
}
