package sensors

import (
	"errors"
	"io/fs"
	"testing"
	"time"
)

func TestStatusText(t *testing.T) {
	t.Parallel()
	const path = "/dev/serial/by-id/scale"
	const sinceNs = int64(3 * time.Hour)
	access := &Access{Mode: fs.ModeDevice | fs.ModeCharDevice | 0o660, Owner: "root", Group: "dialout", User: "tech", Groups: []string{"tech", "users"}}
	tests := []struct {
		status Status
		want   string
	}{
		{Status{Condition: Starting}, "opening the port"},
		{Status{Condition: Good}, "frames arrive"},
		{Status{Condition: Missing}, "the port went away: is the cable plugged in?"},
		{Status{Condition: Missing, Port: path}, path + " is missing: plug the cable in, or look for its name with bayfill ports"},
		{Status{Condition: NoAccess, Port: path, Access: access},
			path + " may not be opened: it is Dcrw-rw----, owner root, group dialout; this process runs as user tech in the groups tech, users. Add that user to the device's group and start again"},
		{Status{Condition: NoAccess, Port: path, Access: &Access{StatErr: fs.ErrNotExist, User: "1000"}},
			path + " may not be opened: it is file does not exist; this process runs as user 1000. Add that user to the device's group and start again"},
		{Status{Condition: Busy, Port: path}, path + " is held by another program: stop it (a modem manager or another reader)"},
		{Status{Condition: Silent, SinceNs: sinceNs}, "nothing arrives since 03:00:00 UTC: is the instrument switched on, connected, and set to send?"},
		{Status{Condition: Nonsense, SinceNs: sinceNs, Bytes: 12}, "12 bytes arrived and no good frame since 03:00:00 UTC: wrong speed, parity or protocol: compare with bayfill listen"},
		{Status{Condition: Nonsense, Cause: SevenEven, SinceNs: sinceNs, Bytes: 12, Damaged: 2},
			"damaged frames since 03:00:00 UTC: 12 bytes arrived and no good frame: the bytes look like seven data bits with even parity: try 7E1"},
		{Status{Condition: Nonsense, Cause: SevenOdd, SinceNs: sinceNs, Bytes: 12}, "12 bytes arrived and no good frame since 03:00:00 UTC: the bytes look like seven data bits with odd parity: try 7O1"},
		{Status{Condition: Nonsense, Cause: NULBytes, SinceNs: sinceNs, Bytes: 12}, "12 bytes arrived and no good frame since 03:00:00 UTC: mostly NUL bytes: wrong parity, or a break on the line"},
		{Status{Condition: Stuck}, "the port takes no bytes: flow control at the instrument, or an adapter that hangs: pull it and plug it in again"},
		{Status{Condition: PortFailed, Cause: OpenFiles, Port: path}, path + ": too many open files in this process: fewer carts, or a second bridge"},
		{Status{Condition: PortFailed, Cause: NotSerial, Port: path, Err: errors.New("no terminal")}, path + " is not a serial port (no terminal)"},
		{Status{Condition: PortFailed, Cause: SpeedRejected, Port: path}, path + " does not take this speed"},
		{Status{Condition: PortFailed, Port: path, Err: errors.New("input/output error")}, path + ": input/output error"},
	}
	for _, test := range tests {
		if got := test.status.Text(TimeOfDay); got != test.want {
			t.Errorf("%s %s:\n got %q\nwant %q", test.status.Condition, test.status.Cause, got, test.want)
		}
	}
	age := func(ns int64) string { return time.Duration(ns).String() }
	if got, want := tests[7].status.Text(age), "nothing arrives since 3h0m0s: is the instrument switched on, connected, and set to send?"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
