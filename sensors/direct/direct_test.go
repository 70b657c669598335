package direct

import (
	"bytes"
	"errors"
	"io"
	"os"
	"testing"
	"time"
)

// pipe returns both ends of a pipe, and a Conn over each.
func pipe(t testing.TB) (r, w *os.File, in, out *Conn) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close(); w.Close() })
	if in, err = New(r); err != nil {
		t.Fatal(err)
	}
	if out, err = New(w); err != nil {
		t.Fatal(err)
	}
	return r, w, in, out
}

// TestLong sends more than a pipe holds, so that writer and reader wait for each other.
func TestLong(t *testing.T) {
	_, w, in, out := pipe(t)
	sent := bytes.Repeat([]byte("0123456789"), 100_000)
	wrote := make(chan error, 1)
	go func() {
		_, err := out.Write(sent)
		w.Close()
		wrote <- err
	}()
	got, err := io.ReadAll(in)
	if err != nil || !bytes.Equal(got, sent) {
		t.Errorf("read %d of %d bytes: %v", len(got), len(sent), err)
	}
	if err := <-wrote; err != nil {
		t.Error(err)
	}
}

func TestEnds(t *testing.T) {
	r, w, in, out := pipe(t)
	if err := r.SetReadDeadline(time.Now().Add(5 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if n, err := in.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("at the deadline: %d bytes, %v", n, err)
	}
	r.SetReadDeadline(time.Time{})
	w.Close()
	if n, err := in.Read(make([]byte, 8)); n != 0 || err != io.EOF {
		t.Errorf("after the writer's end: %d bytes, %v", n, err)
	}
	if _, err := out.Write([]byte("x")); err == nil {
		t.Error("a closed file was written")
	}
	r.Close()
	if _, err := in.Read(make([]byte, 8)); err == nil {
		t.Error("a closed file was read")
	}
}

// TestFull writes without waiting into a pipe until there is no room, reads it empty, and
// writes again: nothing is lost, and a full pipe is no error.
func TestFull(t *testing.T) {
	_, _, in, out := pipe(t)
	line, wrote := bytes.Repeat([]byte("0123456789"), 1000), 0
	for {
		n, err := out.TryWrite(line)
		if err != nil {
			t.Fatal(err)
		}
		wrote += n
		if n < len(line) {
			break
		}
	}
	if n, err := out.TryWrite(line); n != 0 || err != nil {
		t.Errorf("into a full pipe: %d bytes, %v", n, err)
	}
	for read, b := 0, make([]byte, len(line)); read < wrote; {
		n, err := in.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		read += n
	}
	if n, err := out.TryWrite(line); n != len(line) || err != nil {
		t.Errorf("into an empty one: %d bytes, %v", n, err)
	}
}

// TestAllocations: a reading must not allocate.
func TestAllocations(t *testing.T) {
	_, _, in, out := pipe(t)
	line, b := []byte("ST,GS,+0018.320kg\r\n"), make([]byte, 64)
	if n := testing.AllocsPerRun(100, func() { out.Write(line); in.Read(b) }); n != 0 {
		t.Errorf("%.0f allocations", n)
	}
}
