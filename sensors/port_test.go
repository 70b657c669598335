package sensors

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"go.bug.st/serial"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"bayfill/fillcalc"
)

// The tests of this file use pseudo-terminals through the serial library. A
// pseudo-terminal has neither speed nor parity; testing those needs hardware.

func TestOpenSerialReadsAndWrites(t *testing.T) {
	t.Parallel()
	c := newCable(t)
	port := mustOpen(t, c.path)
	// Every byte passes unchanged: no line discipline, no flow control.
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	c.send(t, string(all))
	if got := readAll(t, port, len(all)); !bytes.Equal(got, all) {
		t.Errorf("read % X", got)
	}
	if n, err := port.Write(all); n != len(all) || err != nil {
		t.Errorf("wrote %d bytes, %v", n, err)
	}
	back := make([]byte, len(all))
	if _, err := io.ReadFull(c.instrument, back); err != nil || !bytes.Equal(back, all) {
		t.Errorf("instrument read % X, %v", back, err)
	}
}

// Silence is neither an error nor the end: Read returns 0, nil after the given time.
func TestOpenSerialQuiet(t *testing.T) {
	t.Parallel()
	c := newCable(t)
	for _, wait := range []time.Duration{quiet, 5 * quiet} {
		port, err := OpenSerial(c.path, usual, wait)
		if err != nil {
			t.Fatal(err)
		}
		// On a busy machine some reads return late, but not all; none returns early.
		fastest := time.Hour
		for try := 0; try < 10 && fastest > wait*3/2; try++ {
			begun := time.Now()
			n, err := port.Read(make([]byte, 10))
			fastest = min(fastest, time.Since(begun))
			if n != 0 || err != nil {
				t.Errorf("%d, %v, want 0, nil", n, err)
			}
		}
		if fastest < wait*9/10 || fastest > wait*3/2 {
			t.Errorf("waited %v, want %v", fastest, wait)
		}
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	}
}

func wantCondition(t testing.TB, err error, c Condition, parts ...string) {
	t.Helper()
	var se *statusError
	if !errors.As(err, &se) || se.Condition != c {
		t.Errorf("%v, want %s", err, c)
		return
	}
	for _, part := range parts {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%q does not say %q", err, part)
		}
	}
}

func TestOpenSerialTwice(t *testing.T) {
	t.Parallel()
	c := newCable(t)
	first := mustOpen(t, c.path)
	_, err := OpenSerial(c.path, usual, quiet)
	wantCondition(t, err, Busy, c.path, "held by another program")
	// The refused attempt does not disturb the holder of the port.
	c.send(t, "still there")
	if got := readAll(t, first, 11); string(got) != "still there" {
		t.Errorf("%q", got)
	}
	if err := first.Close(); err != nil {
		t.Error(err)
	}
	second := mustOpen(t, c.path)
	c.send(t, "again")
	if got := readAll(t, second, 5); string(got) != "again" {
		t.Errorf("%q", got)
	}
}

func TestOpenSerialRefuses(t *testing.T) {
	t.Parallel()
	missing := filepath.Join(t.TempDir(), "usb-scale")
	_, err := OpenSerial(missing, usual, quiet)
	wantCondition(t, err, Missing, missing+" is missing: plug the cable in")
	if !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v hides its cause", err)
	}
	dangling := filepath.Join(t.TempDir(), "usb-scale")
	if err := os.Symlink(missing, dangling); err != nil {
		t.Fatal(err)
	}
	_, err = OpenSerial(dangling, usual, quiet)
	wantCondition(t, err, Missing, dangling+" is missing")
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the first attempt must leave no lock behind
		_, err = OpenSerial(file, usual, quiet)
		wantCondition(t, err, PortFailed, file+" is not a serial port")
	}
}

// portErrorOf makes an error of the serial library, which has no constructor.
func portErrorOf(code serial.PortErrorCode, cause error) error {
	err := &serial.PortError{}
	set := func(name string, value any) {
		field := reflect.ValueOf(err).Elem().FieldByName(name)
		reflect.NewAt(field.Type(), unsafe.Pointer(field.UnsafeAddr())).Elem().Set(reflect.ValueOf(value))
	}
	set("code", code)
	if cause != nil {
		set("causedBy", cause)
	}
	return err
}

func TestExplainOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "usb-scale")
	if err := os.WriteFile(path, nil, 0o640); err != nil {
		t.Fatal(err)
	}
	const files = "too many open files in this process: fewer carts"
	wrapped := func(err error) error { return &fs.PathError{Op: "open", Path: path, Err: err} }
	tests := []struct {
		err  error
		want Condition
		text string
	}{
		{unix.ENOENT, Missing, "is missing: plug the cable in, or look for its name with bayfill ports"},
		{wrapped(unix.ENOENT), Missing, "is missing"},
		{unix.ENXIO, Missing, "is missing"},
		{unix.ENODEV, Missing, "is missing"},
		{unix.EACCES, NoAccess, "may not be opened: it is -rw-r-----, owner "},
		{unix.EPERM, NoAccess, "Add that user to the device's group and start again"},
		{wrapped(unix.EACCES), NoAccess, "this process runs as user "},
		{portErrorOf(serial.PermissionDenied, nil), NoAccess, "may not be opened"},
		{unix.EBUSY, Busy, "is held by another program: stop it (a modem manager or another reader)"},
		{wrapped(unix.EBUSY), Busy, "is held by another program"},
		{portErrorOf(serial.PortBusy, nil), Busy, "is held by another program"},
		{&serial.PortError{}, Busy, "is held by another program"},
		{unix.EMFILE, PortFailed, files},
		{wrapped(unix.ENFILE), PortFailed, files},
		{portErrorOf(serial.InvalidSerialPort, fmt.Errorf("error opening signaling pipe: %w", unix.EMFILE)), PortFailed, files},
		{unix.ENOTTY, PortFailed, "is not a serial port"},
		{portErrorOf(serial.InvalidSerialPort, nil), PortFailed, "is not a serial port"},
		{portErrorOf(serial.InvalidSerialPort, unix.EIO), PortFailed, unix.EIO.Error()},
		{portErrorOf(serial.InvalidSpeed, nil), PortFailed, "does not take this speed"},
		{portErrorOf(serial.InvalidSerialPort, portErrorOf(serial.InvalidSpeed, nil)), PortFailed, "speed"},
		{portErrorOf(serial.InvalidDataBits, nil), PortFailed, "data bits"},
		{unix.EIO, PortFailed, unix.EIO.Error()},
	}
	for _, test := range tests {
		err := explainOpen(path, test.err)
		wantCondition(t, err, test.want, path, test.text)
		if !errors.Is(err, test.err) {
			t.Errorf("%v: the cause is lost", err)
		}
	}
}

// The driver delivers a parity error as a NUL. It damages the line and does not
// disappear.
func TestNULInALine(t *testing.T) {
	t.Parallel()
	c := newCable(t)
	port := mustOpen(t, c.path)
	c.send(t, "ST,GS,+00\x001.250kg\r\nST,GS,+0001.250kg\r\n")
	data := readAll(t, port, 38)
	p := mustNew(t, "line", Options{Quantity: Weight, Pattern: "status-kind-value-unit"})
	var seen []fillcalc.Faults
	take(t, p, [][]byte{data}, func(_ []byte, r Reading, _ error) { seen = append(seen, r.Faults) })
	if len(seen) != 2 || seen[0] != fillcalc.FaultChecksum || seen[1] != 0 {
		t.Errorf("%q: %v", data, seen)
	}
}

// A port that is unplugged and comes back under another number is found by its
// stable name and opened without help.
func TestReplug(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "usb-scale")
	plug := func(c *cable) {
		if err := os.Symlink(c.path, link); err != nil {
			t.Fatal(err)
		}
	}
	begun := time.Now()
	s := &Sensor{
		Name: "scale", Quantity: Weight, Protocol: lineProtocol(t),
		SilentAfter: 30 * time.Second, RetryEvery: 20 * time.Millisecond,
		NowNs: func() int64 { return int64(time.Since(begun)) },
		Open:  func() (io.ReadWriteCloser, error) { return OpenSerial(link, usual, quiet) },
	}
	var l listener
	stop := l.run(t, s)
	defer stop()
	l.until(t, "missing", func() bool {
		return l.last().Condition == Missing && strings.HasPrefix(l.last().Text(TimeOfDay), link+" is missing")
	})

	first := newCable(t)
	plug(first)
	first.stream(t, goodLine, 10*time.Millisecond)
	l.until(t, "good", func() bool { return l.last().Condition == Good && len(l.good) > 5 })

	if err := os.Remove(link); err != nil {
		t.Fatal(err)
	}
	second := newCable(t) // while the first is open, so it gets another number
	if second.path == first.path {
		t.Fatal("the same device again")
	}
	first.pull()
	l.until(t, "missing again", func() bool { return l.last().Condition == Missing })

	l.Lock()
	n := len(l.good)
	l.Unlock()
	plug(second)
	second.stream(t, goodLine, 10*time.Millisecond)
	l.until(t, "good again", func() bool { return l.last().Condition == Good && len(l.good) > n+5 })

	l.Lock()
	defer l.Unlock()
	var before Reading
	for _, r := range l.good {
		if r.Value != 1.25 || r.N <= before.N || r.AtNs < before.AtNs {
			t.Errorf("%+v after %+v", r, before)
		}
		before = r
	}
}

// On a real port too, Run leaves neither a goroutine nor a lock behind.
func TestRunLeavesNothing(t *testing.T) {
	alone := goleak.IgnoreCurrent()
	c := newCable(t)
	s := &Sensor{
		Name: "scale", Quantity: Weight, Protocol: mustNew(t, "sma", Options{Quantity: Weight}),
		PollEvery: 10 * time.Millisecond, SilentAfter: time.Minute, RetryEvery: time.Minute,
		NowNs: func() int64 { return 0 },
		Open:  func() (io.ReadWriteCloser, error) { return OpenSerial(c.path, usual, quiet) },
	}
	for range 3 {
		var l listener
		stop := l.run(t, s)
		request := make([]byte, 3)
		for range 3 {
			if _, err := io.ReadFull(c.instrument, request); err != nil || string(request) != "\nW\r" {
				t.Fatalf("asked %q, %v", request, err)
			}
			c.send(t, "\n 1G       1.250kg \r")
		}
		l.until(t, "answers", func() bool { return len(l.good) >= 3 })
		stop()
		if err := goleak.Find(alone); err != nil {
			t.Error(err)
		}
		mustOpen(t, c.path).Close()
		// Discard unanswered requests, or the next round reads them.
		if err := unix.IoctlSetInt(int(c.instrument.Fd()), unix.TCFLSH, unix.TCIFLUSH); err != nil {
			t.Fatal(err)
		}
	}
}

// children are the tasks of a second process of the test binary.
var children = map[string]func() error{"descriptors": runOutOfDescriptors, "stranger": openAsStranger}

const childPort = "BAYFILL_SENSORS_TEST_PORT"

func child(t testing.TB, name, path string, attr *syscall.SysProcAttr) {
	t.Helper()
	// This name works for a stranger too, who may not enter the folder of the test
	// binary.
	cmd := exec.Command("/proc/self/exe")
	cmd.Env = append(os.Environ(), childVariable+"="+name, childPort+"="+path, "GORACE=atexit_sleep_ms=0")
	cmd.Dir = "/"
	cmd.SysProcAttr = attr
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	} else if !strings.Contains(string(out), "all checked") {
		t.Errorf("the child did not run: %s", out)
	}
}

// A port is read on any descriptor, also above 1,023 where select(2) ends. When the
// process may open no more files, opening returns an error that says so, however few
// descriptors are left.
//
// Tests that start a child are not parallel: between fork and exec the child holds
// the locks of ports that another test closes at that moment.
func TestManyDescriptors(t *testing.T) {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		t.Fatal(err)
	}
	if limit.Max < 1300 {
		t.Skipf("this system allows %d open files only: nothing to limit", limit.Max)
	}
	child(t, "descriptors", newCable(t).path, nil)
}

func runOutOfDescriptors() error {
	path := os.Getenv(childPort)
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		return err
	}
	limit.Cur = 1200
	if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		return err
	}
	// The runtime's poller takes a descriptor at the first pollable file; in the
	// bridge the network has done that long before.
	r, w, err := os.Pipe()
	if err != nil {
		return err
	}
	defer r.Close()
	defer w.Close()
	var held []int
	for range 1300 {
		fd, err := unix.Open("/dev/null", unix.O_RDONLY|unix.O_CLOEXEC, 0)
		if err != nil {
			if !errors.Is(err, unix.EMFILE) {
				return fmt.Errorf("open number %d: %w", len(held), err)
			}
			break
		}
		held = append(held, fd)
	}
	if len(held) == 1300 || len(held) < 1100 {
		return fmt.Errorf("%d files could be opened", len(held))
	}
	opened := false
	for left := range 10 {
		if left > 0 {
			unix.Close(held[len(held)-1])
			held = held[:len(held)-1]
		}
		port, err := OpenSerial(path, usual, quiet)
		if err != nil {
			var se *statusError
			if !errors.As(err, &se) || se.Condition != PortFailed || !strings.Contains(se.Error(), "too many open files in this process") {
				return fmt.Errorf("%d files left: %w", left, err)
			}
			if opened {
				return fmt.Errorf("%d files left, and fewer were enough: %w", left, err)
			}
			continue
		}
		opened = true
		n, err := port.Read(make([]byte, 10)) // select(2) would fail
		if n != 0 || err != nil {
			return fmt.Errorf("read %d, %w", n, err)
		}
		// A refused attempt returns its descriptors.
		for try := 0; left == 9 && try < 20; try++ {
			_, err := OpenSerial(path, usual, quiet)
			var se *statusError
			if !errors.As(err, &se) || se.Condition != Busy {
				return fmt.Errorf("attempt %d to open a port that is held: %w", try, err)
			}
		}
		if err := port.Close(); err != nil {
			return err
		}
	}
	if !opened {
		return errors.New("the port never opened: the descriptors of failed attempts leak")
	}
	fmt.Println("all checked")
	return nil
}

// A device that exists but may not be opened: the text names its owner and the user
// of this process.
func TestNoAccess(t *testing.T) {
	c := newCable(t)
	if os.Geteuid() != 0 {
		if err := os.Chmod(c.path, 0); err != nil {
			t.Fatal(err)
		}
		_, err := OpenSerial(c.path, usual, quiet)
		wantCondition(t, err, NoAccess, c.path+" may not be opened: it is Dc---------, owner ", "this process runs as user ")
		return
	}
	if err := os.Chmod(c.path, 0o600); err != nil {
		t.Fatal(err)
	}
	const nobody = 65534
	child(t, "stranger", c.path, &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}})
}

func openAsStranger() error {
	path := os.Getenv(childPort)
	if os.Getuid() == 0 {
		return errors.New("still root")
	}
	_, err := OpenSerial(path, usual, quiet)
	var se *statusError
	if !errors.As(err, &se) || se.Condition != NoAccess {
		return fmt.Errorf("want no access: %w", err)
	}
	for _, part := range []string{path + " may not be opened: it is Dcrw-------, owner root, group ", "; this process runs as user ", " in the groups ", "Add that user to the device's group"} {
		if !strings.Contains(se.Error(), part) {
			return fmt.Errorf("%q does not say %q", se.Error(), part)
		}
	}
	fmt.Println(se)
	fmt.Println("all checked")
	return nil
}
