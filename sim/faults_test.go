package sim

import (
	"bytes"
	"testing"
)

var frame = []byte("ST,GS,+0001.250kg\r\n")

// damage returns what arrives of n frames, one by one.
func damage(s FaultSettings, seed uint64, n int) [][]byte {
	f := NewFaults(seed)
	f.Set(s)
	var got [][]byte
	for range n {
		got = append(got, f.Pass(frame))
	}
	return got
}

// share is the share of frames that satisfy a condition.
func share(got [][]byte, satisfies func([]byte) bool) float64 {
	n := 0
	for _, b := range got {
		if satisfies(b) {
			n++
		}
	}
	return float64(n) / float64(len(got))
}

// Shares are met within five standard deviations of 2000 draws (binomial; textbook): 0.056 at a half.
func TestFaultShares(t *testing.T) {
	whole := func(b []byte) bool { return bytes.Equal(b, frame) }
	half := func(b []byte) bool {
		return len(b) > 0 && len(b) < len(frame) && (bytes.HasPrefix(frame, b) || bytes.HasSuffix(frame, b))
	}
	begins := func(b []byte) bool { return half(b) && bytes.HasPrefix(frame, b) }
	garbage := func(b []byte) bool { return len(b) > len(frame) && bytes.HasSuffix(b, frame) }
	nul := func(b []byte) bool {
		return bytes.IndexByte(b, 0) >= 0 && bytes.Equal(bytes.ReplaceAll(b, []byte{0}, nil), frame)
	}
	silent := func(b []byte) bool { return len(b) == 0 }
	for _, c := range []struct {
		what string
		set  FaultSettings
		is   func([]byte) bool
		want float64
	}{
		{"whole on a sound line", FaultSettings{}, whole, 1},
		{"half", FaultSettings{HalfFrameShare: 0.5}, half, 0.5},
		{"whole beside half", FaultSettings{HalfFrameShare: 0.5}, whole, 0.5},
		{"beginnings", FaultSettings{HalfFrameShare: 1}, begins, 0.5},
		{"garbage before", FaultSettings{GarbageShare: 0.3}, garbage, 0.3},
		{"NULs within", FaultSettings{NULShare: 0.3}, nul, 0.3},
		{"nothing", FaultSettings{Silent: true}, silent, 1},
		{"whole in babble", FaultSettings{Babble: true}, whole, 0},
	} {
		got := damage(c.set, 1, 2000)
		tolerance := 0.056
		if c.want == 0 || c.want == 1 {
			tolerance = 0
		}
		near(t, c.what, share(got, c.is), c.want, tolerance)
	}
	bytesLeft := len(bytes.Join(damage(FaultSettings{LostByteShare: 0.1}, 1, 2000), nil))
	near(t, "bytes left", float64(bytesLeft)/float64(2000*len(frame)), 0.9, 0.008)
}

func TestBabbleIsSentUnasked(t *testing.T) {
	f := NewFaults(1)
	if f.Pass(nil) != nil {
		t.Error("a sound line speaks unasked")
	}
	f.Set(FaultSettings{HalfFrameShare: 1, GarbageShare: 1, NULShare: 1, LostByteShare: 0.5})
	if len(f.Pass(nil)) != 0 {
		t.Error("a faulty line speaks unasked")
	}
	f.Set(FaultSettings{Babble: true})
	if len(f.Pass(nil)) == 0 {
		t.Error("babble waits for a frame")
	}
	f.Set(FaultSettings{})
	if !bytes.Equal(f.Pass(frame), frame) {
		t.Error("still faulty after being repaired")
	}
}

func TestSameSeedSameDamage(t *testing.T) {
	all := FaultSettings{HalfFrameShare: 0.3, GarbageShare: 0.3, NULShare: 0.3, LostByteShare: 0.05}
	once := func(seed uint64) []byte { return bytes.Join(damage(all, seed, 50), nil) }
	if !bytes.Equal(once(1), once(1)) || bytes.Equal(once(1), once(2)) {
		t.Error("damage does not follow from the seed")
	}
}
