package sim

import (
	"math/rand/v2"
	"sync"
)

// FaultSettings say how bytes are damaged between a sensor's electronics and its port. Shares are from 0 to 1; the zero value
// is an undamaged line.
type FaultSettings struct {
	HalfFrameShare float64 // of frames: only the beginning or only the end arrives
	GarbageShare   float64 // of frames: preceded by a burst of random bytes
	NULShare       float64 // of frames: with one to three NUL bytes inside
	LostByteShare  float64 // of bytes
	Silent         bool    // the cable is plugged in, the sensor sends nothing
	Babble         bool    // random bytes instead of frames at every reading, requested or not
}

// Faults damages frames. Its methods may be called from any goroutine; the same seed, settings and frames give the same bytes.
type Faults struct {
	mu  sync.Mutex
	set FaultSettings
	rng *rand.Rand
}

// NewFaults returns an undamaged line; Set damages it.
func NewFaults(seed uint64) *Faults { return &Faults{rng: rand.New(rand.NewPCG(seed, 3))} }

// Set replaces the settings.
func (f *Faults) Set(s FaultSettings) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.set = s
}

// Pass returns the bytes that arrive of a frame. A nil frame means that there is nothing to send; a babbling sensor then sends
// random bytes all the same.
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

// noise is 1 to maxBytes random bytes.
func (f *Faults) noise(maxBytes int) []byte {
	b := make([]byte, 1+f.rng.IntN(maxBytes))
	for i := range b {
		b[i] = byte(f.rng.Uint32())
	}
	return b
}
