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
func (d *doctor) port(name, path string, bridgeHas held) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		d.wrong("%s is missing: plug the cable in, or look for its name with bayfill ports", name)
		return
	case err != nil:
		d.wrong("%s: %v", name, err)
		return
	case info.Mode()&fs.ModeCharDevice == 0:
		d.wrong("%s is not a serial port: look for its name with bayfill ports", name)
		return
	case bridgeHas == taken:
		d.ok("%s is there and in use by the bridge", name)
		return
	}
	f, err := os.OpenFile(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err == nil {
		defer f.Close()
		err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	}
	switch {
	case err == nil:
		d.ok("%s is there, free, and may be opened", name)
	case errors.Is(err, fs.ErrPermission):
		d.wrong("%s may not be opened by %s: it belongs to group %s: as root, usermod -aG %[3]s %[2]s, then log in again; in a systemd unit, SupplementaryGroups=%[3]s", name, userName(), groupOf(path))
	case errors.Is(err, unix.EBUSY), errors.Is(err, unix.EWOULDBLOCK):
		if bridgeHas == unknown {
			d.look("%s is in use, by the bridge or another program", name)
		} else {
			d.wrong("%s is in use, and not by the bridge: stop the other program (a modem manager, bayfill listen)", name)
		}
	default:
		d.wrong("%s: %v", name, err)
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
