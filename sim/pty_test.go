package sim

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// aPty opens a port that is closed with the test.
func aPty(t *testing.T, line LineSettings) *ptyPort {
	t.Helper()
	p, err := openPty(filepath.Join(t.TempDir(), "scale"), line.withDefaults(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.close(); err != nil {
			t.Error(err)
		}
	})
	return p
}

func openSerial(t *testing.T, name string, baud int) serial.Port {
	t.Helper()
	port, err := serial.Open(name, &serial.Mode{BaudRate: baud})
	if err != nil {
		t.Fatal(err)
	}
	port.SetReadTimeout(100 * time.Millisecond)
	return port
}

// collect reads until it has enough bytes, or until none arrives within the timeout of a read.
func collect(port serial.Port, enough int) []byte {
	var got []byte
	buf := make([]byte, 4096)
	for len(got) < enough {
		n, err := port.Read(buf)
		if n == 0 || err != nil {
			break
		}
		got = append(got, buf[:n]...)
	}
	return got
}

func TestPtyCarriesEveryByte(t *testing.T) {
	p := aPty(t, LineSettings{})
	all := make([]byte, 256) // control characters, XON, XOFF and 0xff among them
	for i := range all {
		all[i] = byte(i)
	}
	// A reader that sets nothing.
	plain, err := os.OpenFile(p.link, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	p.send(all)
	got := make([]byte, 300)
	if n, err := plain.Read(got); err != nil || !bytes.Equal(got[:n], all) {
		t.Errorf("plain reader: % X, %v", got[:n], err)
	}
	plain.Close()
	// A reader that sets its mode, in both directions.
	port := openSerial(t, p.link, 9600)
	defer port.Close()
	p.send(all)
	if got := collect(port, 256); !bytes.Equal(got, all) {
		t.Errorf("serial reader: % X", got)
	}
	port.Write(all)
	if n := p.receive(got); !bytes.Equal(got[:n], all) {
		t.Errorf("sensor: % X", got[:n])
	}
}

// line_test.go tests what a UART makes of it; this tests that the speed of the terminal decides.
func TestPtyGarblesAtWrongSpeed(t *testing.T) {
	p := aPty(t, LineSettings{Baud: 9600})
	buf := make([]byte, 64)
	for _, baud := range []int{4800, 9600, 19200, 115200} {
		port := openSerial(t, p.link, baud)
		p.send([]byte("\xff\xf0U"))
		if got := collect(port, 3); (baud == 9600) != (string(got) == "\xff\xf0U") {
			t.Errorf("%d: heard %q", baud, got)
		}
		p.send([]byte("\x00"))
		if got := collect(port, 1); baud > 9600 && string(got) != "\x00" {
			t.Errorf("%d: a break is heard as %q", baud, got)
		}
		port.Write([]byte("\nW\r"))
		n := p.receive(buf)
		if (baud == 9600) != (string(buf[:n]) == "\nW\r") {
			t.Errorf("%d: the sensor hears %q", baud, buf[:n])
		}
		port.Close()
	}
}

// Worked out by hand in line_test.go: 0x53 at double speed is a bad 1E and a good E6. The kernel passes a bad character as it
// is, or as a zero when the reader checks its input.
func TestPtyDeliversBadCharacters(t *testing.T) {
	p := aPty(t, LineSettings{Baud: 9600})
	for parity, want := range map[serial.Parity]string{serial.NoParity: "\x1e\xe6", serial.EvenParity: "\x00\xe6"} {
		port, err := serial.Open(p.link, &serial.Mode{BaudRate: 19200, Parity: parity})
		if err != nil {
			t.Fatal(err)
		}
		port.SetReadTimeout(100 * time.Millisecond)
		p.send([]byte("\x53"))
		if got := collect(port, 2); string(got) != want {
			t.Errorf("parity %v: heard %q, want %q", parity, got, want)
		}
		port.Close()
	}
	// In the other direction, a sensor drops what its UART marks as bad: 0x53 at half its speed.
	port := openSerial(t, p.link, 4800)
	defer port.Close()
	port.Write([]byte("\x53"))
	buf := make([]byte, 8)
	if n := p.receive(buf); string(buf[:n]) != "\xe6" {
		t.Errorf("the sensor hears %q", buf[:n])
	}
}

// Bytes without a reader are lost, as at a port that is not open: no reader begins with old readings.
func TestPtyKeepsNothingForLater(t *testing.T) {
	p := aPty(t, LineSettings{})
	p.send([]byte("before anybody"))
	port := openSerial(t, p.link, 9600)
	p.send([]byte("unread"))
	time.Sleep(10 * time.Millisecond)
	port.Close()
	p.attend() // as the listener does all the time
	p.send([]byte("between two"))
	port = openSerial(t, p.link, 9600)
	defer port.Close()
	// About once in 600 times on a busy machine, the kernel drops what is written right after an open.
	var got []byte
	for attempt := 0; attempt < 5 && len(got) == 0; attempt++ {
		p.send([]byte("now"))
		got = collect(port, 3)
	}
	if string(got) != "now" {
		t.Errorf("heard %q", got)
	}
}

// A reader that is killed does not release exclusive mode. A real port leaves exclusive mode with the last close.
func TestKilledReaderLocksNobodyOut(t *testing.T) {
	p := aPty(t, LineSettings{})
	claimed := func() int {
		fd, err := unix.Open(p.link, unix.O_RDWR|unix.O_NOCTTY, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(fd)
		p.attend()
		n, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL)
		if err != nil {
			t.Fatal(err)
		}
		unix.IoctlSetInt(fd, unix.TIOCEXCL, 0)
		return n
	}
	if claimed() != 0 {
		t.Fatal("claimed from the start")
	}
	p.attend()
	if claimed() != 0 {
		t.Error("the claim of the reader before is still there")
	}
}

func TestStuckReaderDoesNotBlock(t *testing.T) {
	p := aPty(t, LineSettings{})
	port := openSerial(t, p.link, 9600)
	defer port.Close()
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		for range 10_000 { // 190 kB: many times the buffer of a terminal
			p.send(frame)
		}
	}()
	select {
	case <-sent:
	case <-time.After(5 * time.Second):
		t.Fatal("the sensor waits for its reader")
	}
	if got := collect(port, 4000); !bytes.HasPrefix(got, bytes.Repeat(frame, 100)) {
		t.Errorf("what fitted begins %q", got[:min(len(got), 40)])
	}
}

func TestPtyUnplugAndReplug(t *testing.T) {
	p := aPty(t, LineSettings{})
	port := openSerial(t, p.link, 9600)
	if err := p.unplug(); err != nil {
		t.Fatal(err)
	}
	if _, err := port.Read(make([]byte, 8)); err == nil {
		t.Error("the reader does not notice")
	}
	port.Close()
	if _, err := os.Lstat(p.link); !os.IsNotExist(err) {
		t.Errorf("the name is still there: %v", err)
	}
	p.send(frame)
	if n := p.receive(make([]byte, 8)); n != 0 {
		t.Error("an unplugged port hears")
	}
	if err := p.unplug(); err != nil {
		t.Errorf("again: %v", err)
	}
	if err := p.replug(); err != nil {
		t.Fatal(err)
	}
	port = openSerial(t, p.link, 9600)
	defer port.Close()
	p.send(frame)
	if got := collect(port, len(frame)); !bytes.Equal(got, frame) {
		t.Errorf("after replugging: %q", got)
	}
}

func TestPtyTouchesOnlyItsLink(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "scale")
	log := slog.New(slog.DiscardHandler)
	for _, left := range []string{"scale", ".scale.new"} { // as a rig that was killed leaves them
		if err := os.Symlink("/nowhere", filepath.Join(dir, left)); err != nil {
			t.Fatal(err)
		}
	}
	p, err := openPty(name, LineSettings{}.withDefaults(), log)
	if err != nil {
		t.Fatal(err)
	}
	if to, err := os.Readlink(name); err != nil || to != p.terminal {
		t.Errorf("the name leads to %q, %v, the terminal is %q", to, err, p.terminal)
	}
	p.close()
	if err := p.replug(); err == nil {
		t.Error("a closed port comes back")
	}
	if err := os.WriteFile(name, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := openPty(name, LineSettings{}.withDefaults(), log); err == nil {
		t.Error("a file was replaced")
	}
}
