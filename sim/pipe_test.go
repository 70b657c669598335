package sim

import (
	"bytes"
	"io"
	"testing"
	"testing/synctest"
	"time"
)

func TestPipeCarriesBothWays(t *testing.T) {
	device, host := NewPipe()
	defer host.Close()
	buf := make([]byte, 16)
	for _, ends := range [][2]io.ReadWriter{{device, host}, {host, device}} {
		ends[0].Write([]byte("one"))
		ends[0].Write([]byte("two"))
		if n, err := ends[1].Read(buf); err != nil || string(buf[:n]) != "onetwo" {
			t.Errorf("%q, %v", buf[:n], err)
		}
	}
	host.Write([]byte("longer than what is asked for"))
	n, _ := device.Read(buf[:6])
	m, _ := device.Read(buf[n:])
	if string(buf[:n+m]) != "longer than what" {
		t.Errorf("in pieces: %q", buf[:n+m])
	}
}

func TestPipeIsQuietFor100ms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		device, host := NewPipe()
		defer host.Close()
		start := time.Now()
		if n, err := host.Read(make([]byte, 8)); n != 0 || err != nil || time.Since(start) != 100*time.Millisecond {
			t.Errorf("quiet: %d, %v after %v", n, err, time.Since(start))
		}
		go func() {
			time.Sleep(30 * time.Millisecond)
			device.Write([]byte("x"))
		}()
		start = time.Now()
		if n, err := host.Read(make([]byte, 8)); n != 1 || err != nil || time.Since(start) != 30*time.Millisecond {
			t.Errorf("a byte: %d, %v after %v", n, err, time.Since(start))
		}
	})
}

func TestPipeNeverBlocksItsWriter(t *testing.T) {
	device, host := NewPipe()
	defer host.Close()
	for range 1000 {
		if n, err := device.Write(bytes.Repeat([]byte("x"), 100)); n != 100 || err != nil {
			t.Fatal(n, err)
		}
	}
	if n, _ := host.Read(make([]byte, 1<<20)); n != pipeBytes {
		t.Errorf("%d bytes were kept", n)
	}
}

func TestClosedPipe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		device, host := NewPipe()
		device.Write([]byte("lost"))
		go func() {
			time.Sleep(10 * time.Millisecond)
			device.Close()
		}()
		host.Read(make([]byte, 8))
		start := time.Now()
		if n, err := host.Read(make([]byte, 8)); n != 0 || err != io.EOF || time.Since(start) != 10*time.Millisecond {
			t.Errorf("read: %d, %v after %v", n, err, time.Since(start))
		}
		if _, err := host.Write([]byte("x")); err == nil {
			t.Error("a closed pipe takes bytes")
		}
		if host.Close() != nil || device.Close() != nil {
			t.Error("closing again fails")
		}
	})
}
