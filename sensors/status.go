package sensors

import (
	"fmt"
	"io/fs"
	"strings"
	"time"

	"bayfill/fillcalc"
)

// Condition is a code for the state of a sensor as far as it can be told from
// its port. The list is closed; metrics carry the codes as label values.
type Condition string

const (
	Starting   Condition = "starting"  // the port has not been opened yet
	Good       Condition = "good"      // good frames arrive
	Missing    Condition = "missing"   // the device does not exist: unplugged, or configured under another name
	NoAccess   Condition = "no_access" // the device exists, but this process may not open it
	Busy       Condition = "busy"      // another program has the port open
	Silent     Condition = "silent"    // the port is open and no byte arrives
	Nonsense   Condition = "nonsense"  // bytes arrive, but no good frame
	Stuck      Condition = "stuck"     // the port accepts no bytes, so a request cannot be sent
	PortFailed Condition = "failed"    // any other error of the operating system
)

// Cause is a code for the likely reason of a [Nonsense] or [PortFailed]
// condition. It is empty when nothing points to one.
type Cause string

const (
	SevenEven     Cause = "seven_even"     // Nonsense: all bytes look like seven data bits with even parity
	SevenOdd      Cause = "seven_odd"      // Nonsense: all bytes look like seven data bits with odd parity
	NULBytes      Cause = "nul_bytes"      // Nonsense: more than half of the bytes are NUL
	OpenFiles     Cause = "open_files"     // PortFailed: the process has too many open files
	NotSerial     Cause = "not_serial"     // PortFailed: the device is not a serial port
	SpeedRejected Cause = "speed_rejected" // PortFailed: the device does not support the configured speed
)

// Status is a sensor's condition with the figures that belong to it. A figure
// that does not apply to the condition is zero.
type Status struct {
	Condition Condition
	Cause     Cause

	// Port is the path of a device that could not be opened; empty when the port
	// was open.
	Port string

	// SinceNs is the beginning of the trouble in nanoseconds since 1970 UTC, on the
	// clock [Sensor.NowNs]. Silent: the last byte. Nonsense: the first damaged
	// frame, or the last good frame when Damaged is 0. Before the first byte or good
	// frame it is the opening of the port.
	SinceNs int64
	Bytes   int // Nonsense: bytes received since the last good frame
	Damaged int // Nonsense: damaged frames found among them

	Access *Access // NoAccess: who owns the device and who tried to open it; else nil
	Err    error   // what the operating system or the port reported; nil when it reported nothing
}

// Access compares the owner of a device with the user of this process.
type Access struct {
	Mode         fs.FileMode
	Owner, Group string // of the device
	StatErr      error  // why the three above are unknown; usually nil
	User         string // of this process
	Groups       []string
}

// TimeOfDay writes nanoseconds since 1970 UTC to the nearest second, as in
// "15:04:05 UTC".
func TimeOfDay(ns int64) string {
	return time.Unix(0, ns).UTC().Round(time.Second).Format("15:04:05 UTC")
}

// Text is the status as a sentence for the person who can act. when writes a
// time in nanoseconds since 1970 UTC so that it can follow the word "since":
// [TimeOfDay], or an age such as "3 s".
func (s Status) Text(when func(ns int64) string) string {
	switch s.Condition {
	case Starting:
		return "opening the port"
	case Good:
		return "frames arrive"
	case Missing:
		if s.Port == "" {
			return "the port went away: is the cable plugged in?"
		}
		return s.Port + " is missing: plug the cable in, or look for its name with bayfill ports"
	case NoAccess:
		return fmt.Sprintf("%s may not be opened: it is %s; this process runs as %s. Add that user to the device's group and start again",
			s.Port, s.Access.Device(), s.Access.Process())
	case Busy:
		return s.Port + " is held by another program: stop it (a modem manager or another reader)"
	case Silent:
		return fmt.Sprintf("nothing arrives since %s: is the instrument switched on, connected, and set to send?", when(s.SinceNs))
	case Nonsense:
		return s.nonsenseText(when)
	case Stuck:
		return "the port takes no bytes: flow control at the instrument, or an adapter that hangs: pull it and plug it in again"
	}
	return s.failedText()
}

func (s Status) nonsenseText(when func(ns int64) string) string {
	hint := "wrong speed, parity or protocol: compare with bayfill listen"
	switch s.Cause {
	case SevenEven:
		hint = "the bytes look like seven data bits with even parity: try 7E1"
	case SevenOdd:
		hint = "the bytes look like seven data bits with odd parity: try 7O1"
	case NULBytes:
		hint = "mostly NUL bytes: wrong parity, or a break on the line"
	}
	if s.Damaged > 0 {
		return fmt.Sprintf("damaged frames since %s: %d bytes arrived and no good frame: %s", when(s.SinceNs), s.Bytes, hint)
	}
	return fmt.Sprintf("%d bytes arrived and no good frame since %s: %s", s.Bytes, when(s.SinceNs), hint)
}

func (s Status) failedText() string {
	switch s.Cause {
	case OpenFiles:
		return s.Port + ": too many open files in this process: fewer carts, or a second bridge"
	case NotSerial:
		return fmt.Sprintf("%s is not a serial port (%v)", s.Port, s.Err)
	case SpeedRejected:
		return s.Port + " does not take this speed"
	}
	return fmt.Sprintf("%s: %v", s.Port, s.Err)
}

// Device says what the device is, or why that is unknown.
func (a *Access) Device() string {
	if a.StatErr != nil {
		return a.StatErr.Error()
	}
	return fmt.Sprintf("%s, owner %s, group %s", a.Mode, a.Owner, a.Group)
}

// Process says as whom this process runs.
func (a *Access) Process() string {
	if len(a.Groups) == 0 {
		return "user " + a.User
	}
	return "user " + a.User + " in the groups " + strings.Join(a.Groups, ", ")
}

// statusError is an error that explains itself by a Status.
type statusError struct{ Status }

func (e *statusError) Error() string { return e.Text(TimeOfDay) }
func (e *statusError) Unwrap() error { return e.Err }

// Said is what is wrong with a port that cannot be opened, as a text of the catalogues.
func (e *statusError) Said() fillcalc.Text {
	key, about := "listen.failed", names{"port": e.Port}
	switch {
	case e.Condition == Missing:
		key = "listen.missing"
	case e.Condition == NoAccess:
		key, about["device"], about["process"] = "listen.no_access", e.Access.Device(), e.Access.User
	case e.Condition == Busy:
		key = "listen.busy"
	case e.Cause == OpenFiles:
		key = "listen.open_files"
	case e.Cause == NotSerial:
		key = "listen.not_serial"
	case e.Cause == SpeedRejected:
		key = "listen.speed"
	case e.Err != nil:
		about["reason"] = e.Err.Error()
	}
	return fillcalc.Text{Key: key, Names: about}
}
