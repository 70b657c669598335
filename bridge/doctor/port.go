package doctor

import (
	"errors"
	"io/fs"
	"os"
	"os/user"
	"strconv"

	"golang.org/x/sys/unix"
)

// port checks whether a serial port exists and may be opened. A port in use is left
// alone; any other is opened for a moment, without changing its settings.
func (d *doctor) port(sensor, port string, bridgeHas held) {
	of := []any{"sensor", sensor, "port", port}
	info, err := os.Stat(port)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		d.wrong("doctor.port_missing", of...)
		return
	case err != nil:
		d.wrong("doctor.port_bad", append(of, "why", err)...)
		return
	case info.Mode()&fs.ModeCharDevice == 0:
		d.wrong("doctor.port_not_serial", of...)
		return
	case bridgeHas == taken:
		d.ok("doctor.port_used", of...)
		return
	}
	f, err := os.OpenFile(port, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err == nil {
		defer f.Close()
		err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	}
	switch {
	case err == nil:
		d.ok("doctor.port_free", of...)
	case errors.Is(err, fs.ErrPermission):
		d.wrong("doctor.port_denied", append(of, "user", userName(), "group", groupOf(port))...)
	case errors.Is(err, unix.EBUSY), errors.Is(err, unix.EWOULDBLOCK):
		if bridgeHas == unknown {
			d.look("doctor.port_busy", of...)
		} else {
			d.wrong("doctor.port_taken", of...)
		}
	default:
		d.wrong("doctor.port_bad", append(of, "why", err)...)
	}
}

// groupOf is the name of a device's group, or its number where it has no name.
func groupOf(path string) string {
	var st unix.Stat_t
	if unix.Stat(path, &st) != nil {
		return "dialout"
	}
	id := strconv.Itoa(int(st.Gid))
	if g, err := user.LookupGroupId(id); err == nil {
		return g.Name
	}
	return id
}
