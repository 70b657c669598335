package sensors

import (
	"os"
	"path/filepath"
	"sort"
	"strings"
)

// PortInfo is a serial port that the machine has.
type PortInfo struct {
	Device string // /dev/ttyUSB0 and the like: may change when cables move
	Stable string // the name to configure; equal to Device when there is none
	About  string // what the adapter says of itself
}

// Ports lists serial ports from the names that udev and the kernel keep. It
// opens none of them: opening a port disturbs whoever uses it.
func Ports() ([]PortInfo, error) {
	return portsBelow("/")
}

func portsBelow(root string) ([]PortInfo, error) {
	stable := map[string]string{}
	// By id before by path: the id stays with the adapter, the path with the
	// socket. Two adapters without serial numbers share an id; then only one of
	// them is linked, and the other is found by path.
	for _, dir := range []string{"dev/serial/by-path", "dev/serial/by-id"} {
		links, _ := filepath.Glob(filepath.Join(root, dir, "*"))
		for _, link := range links {
			if device, err := filepath.EvalSymlinks(link); err == nil {
				stable[device] = link
			}
		}
	}
	// A tty with a device behind it is hardware; consoles and pseudo-terminals
	// have none.
	entries, err := filepath.Glob(filepath.Join(root, "sys/class/tty/*/device"))
	if err != nil {
		return nil, err
	}
	var ports []PortInfo
	for _, entry := range entries {
		name := filepath.Base(filepath.Dir(entry))
		if subsystem, _ := os.Readlink(filepath.Join(entry, "subsystem")); filepath.Base(subsystem) == "platform" || filepath.Base(subsystem) == "serial-base" {
			// The four ports that PCs announce whether or not they are fitted.
			kind, _ := os.ReadFile(filepath.Join(root, "sys/class/tty", name, "type"))
			if strings.TrimSpace(string(kind)) == "0" {
				continue
			}
		}
		device := filepath.Join(root, "dev", name)
		p := PortInfo{Device: device, Stable: device, About: about(entry)}
		if link, ok := stable[device]; ok {
			p.Stable = link
		}
		ports = append(ports, p)
	}
	sort.Slice(ports, func(i, j int) bool { return ports[i].Device < ports[j].Device })
	return ports, nil
}

// about collects what the USB device above a tty says of itself.
func about(entry string) string {
	dir, err := filepath.EvalSymlinks(entry)
	if err != nil {
		return ""
	}
	for range 4 {
		var words []string
		for _, file := range []string{"manufacturer", "product", "serial"} {
			if text, err := os.ReadFile(filepath.Join(dir, file)); err == nil {
				words = append(words, strings.TrimSpace(string(text)))
			}
		}
		if len(words) > 0 {
			return strings.Join(words, ", ")
		}
		dir = filepath.Dir(dir)
	}
	return ""
}
