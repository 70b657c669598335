package sensors

import (
	"os"
	"path/filepath"
	"sort"
	"strings"
)

// PortInfo describes a serial port of this computer.
type PortInfo struct {
	Device string // as in /dev/ttyUSB0; may change when cables are moved
	Stable string // the name to configure; equal to Device when the port has no stable name
	About  string // maker, product and serial number of the adapter; may be empty
}

// Ports lists the serial ports, sorted by Device, from the names that udev and the
// kernel keep. It does not open them, because that disturbs the program that uses
// a port.
func Ports() ([]PortInfo, error) {
	return portsBelow("/")
}

func portsBelow(root string) ([]PortInfo, error) {
	stable := map[string]string{}
	// A name by id overrides one by path: the id belongs to the adapter, the path to
	// the socket. Two adapters without serial numbers share an id; udev links only one
	// of them, so the other keeps its name by path.
	for _, dir := range []string{"dev/serial/by-path", "dev/serial/by-id"} {
		links, _ := filepath.Glob(filepath.Join(root, dir, "*"))
		for _, link := range links {
			if device, err := filepath.EvalSymlinks(link); err == nil {
				stable[device] = link
			}
		}
	}
	// Only a tty of real hardware has a device entry; consoles and pseudo-terminals
	// have none.
	entries, err := filepath.Glob(filepath.Join(root, "sys/class/tty/*/device"))
	if err != nil {
		return nil, err
	}
	var ports []PortInfo
	for _, entry := range entries {
		name := filepath.Base(filepath.Dir(entry))
		if subsystem, _ := os.Readlink(filepath.Join(entry, "subsystem")); filepath.Base(subsystem) == "platform" || filepath.Base(subsystem) == "serial-base" {
			// PCs announce four ports whether or not they are fitted; type 0 is "unknown".
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

// about joins maker, product and serial number of the USB device above a tty.
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
