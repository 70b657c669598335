package sim

import (
	"math/rand/v2"
	"sync"
)

// FaultSettings say how a sensor's bytes suffer between its electronics and the port. Shares are 0 … 1; the zero value is a
// sound line.
type FaultSettings struct {
	HalfFrameShare float64 // of frames, of which only the beginning or only the end arrives
	GarbageShare   float64 // of frames, preceded by a burst of random bytes
	NULShare       float64 // of frames, with zero bytes somewhere in them
	LostByteShare  float64 // of bytes
	Silent         bool    // the cable is in, the sensor says nothing
	Babble         bool    // random bytes at every reading, asked or not, instead of frames
}

// Faults damages frames. It may be set while others use it; the same seed, settings and frames give the same bytes.
type Faults struct {
	mu  sync.Mutex
	set FaultSettings
	rng *rand.Rand
}

// NewFaults is a sound line until Set.
func NewFaults(seed uint64) *Faults { return &Faults{rng: rand.New(rand.NewPCG(seed, 3))} }

// Set replaces the settings.
func (f *Faults) Set(s FaultSettings) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.set = s
}

// Pass returns what arrives of a frame. Pass it nil when there is nothing to send: a babbling sensor speaks all the same.
func (f *Faults) Pass(frame []byte) []byte {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case f.set.Silent:
		return nil
	case f.set.Babble:
		return f.noise(64)
	case len(frame) == 0 || f.set == FaultSettings{}:
		return frame
	}
	if f.happens(f.set.HalfFrameShare) && len(frame) > 1 {
		cut := 1 + f.rng.IntN(len(frame)-1)
		if f.happens(0.5) {
			frame = frame[:cut]
		} else {
			frame = frame[cut:]
		}
	}
	var out []byte
	if f.happens(f.set.GarbageShare) {
		out = f.noise(32)
	}
	nul := -1
	if f.happens(f.set.NULShare) {
		nul = f.rng.IntN(len(frame))
	}
	for i, b := range frame {
		if i == nul {
			out = append(out, make([]byte, 1+f.rng.IntN(3))...)
		}
		if !f.happens(f.set.LostByteShare) {
			out = append(out, b)
		}
	}
	return out
}

func (f *Faults) happens(share float64) bool { return f.rng.Float64() < share }

// noise is 1 to most random bytes.
func (f *Faults) noise(most int) []byte {
	b := make([]byte, 1+f.rng.IntN(most))
	for i := range b {
		b[i] = byte(f.rng.Uint32())
	}
	return b
}
