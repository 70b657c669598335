package sensors

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// The tree has the structure that Linux and udev create; the names are invented.
func TestPortsBelow(t *testing.T) {
	root, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	write := func(path, text string) {
		t.Helper()
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	link := func(path, target string) {
		t.Helper()
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(target, path); err != nil {
			t.Fatal(err)
		}
	}
	// tty makes a device of that name below a parent device, as sysfs shows it.
	tty := func(name, device, subsystem string) {
		t.Helper()
		write(device+"/tty/"+name+"/dev", "188:0\n")
		link(device+"/tty/"+name+"/device", "../..")
		link("sys/class/tty/"+name, filepath.Join(root, device, "tty", name))
		if subsystem != "" {
			link(device+"/subsystem", filepath.Join(root, "sys/bus", subsystem))
		}
		write("dev/"+name, "")
	}
	const usb = "sys/devices/pci0000:00/usb1/"

	// Two equal converters without serial numbers share an id, so one of them is
	// linked by id and the other only by path.
	for i, name := range []string{"ttyUSB0", "ttyUSB1"} {
		hub := usb + []string{"1-1", "1-2"}[i]
		write(hub+"/manufacturer", "Maker\n")
		write(hub+"/product", "Converter\n")
		tty(name, hub+"/"+filepath.Base(hub)+":1.0/"+name, "usb-serial")
	}
	link("dev/serial/by-id/usb-Maker_Converter-if00-port0", "../../ttyUSB1")
	link("dev/serial/by-path/pci-usb-0:1:1.0-port0", "../../ttyUSB0")
	link("dev/serial/by-path/pci-usb-0:2:1.0-port0", "../../ttyUSB1")
	// A scale with its own USB: its tty belongs to the interface.
	write(usb+"1-3/product", "Scale\n")
	write(usb+"1-3/serial", "0042\n")
	tty("ttyACM0", usb+"1-3/1-3:1.0", "usb")
	link("dev/serial/by-id/usb-Scale_0042-if00", "../../ttyACM0")
	// A name whose device no longer exists.
	link("dev/serial/by-id/usb-Gone-if00", "../../ttyUSB7")
	// Ports of the mainboard: one fitted, one only announced; old and new kernels.
	tty("ttyS0", "sys/devices/platform/serial8250/a", "platform")
	write("sys/devices/platform/serial8250/a/tty/ttyS0/type", "4\n")
	tty("ttyS1", "sys/devices/platform/serial8250/b", "platform")
	write("sys/devices/platform/serial8250/b/tty/ttyS1/type", "0\n")
	tty("ttyS2", "sys/devices/platform/serial8250/c", "serial-base")
	write("sys/devices/platform/serial8250/c/tty/ttyS2/type", "0\n")
	tty("ttyAMA0", "sys/devices/platform/soc/uart", "amba")
	// Consoles have no device behind them.
	write("sys/devices/virtual/tty/tty1/dev", "4:1\n")
	link("sys/class/tty/tty1", filepath.Join(root, "sys/devices/virtual/tty/tty1"))

	ports, err := portsBelow(root)
	if err != nil {
		t.Fatal(err)
	}
	at := func(path string) string { return filepath.Join(root, path) }
	want := []PortInfo{
		{at("dev/ttyACM0"), at("dev/serial/by-id/usb-Scale_0042-if00"), "Scale, 0042"},
		{at("dev/ttyAMA0"), at("dev/ttyAMA0"), ""},
		{at("dev/ttyS0"), at("dev/ttyS0"), ""},
		{at("dev/ttyUSB0"), at("dev/serial/by-path/pci-usb-0:1:1.0-port0"), "Maker, Converter"},
		{at("dev/ttyUSB1"), at("dev/serial/by-id/usb-Maker_Converter-if00-port0"), "Maker, Converter"},
	}
	if !reflect.DeepEqual(ports, want) {
		t.Errorf("found:")
		for _, p := range ports {
			t.Errorf("  %+v", p)
		}
		t.Errorf("want:")
		for _, p := range want {
			t.Errorf("  %+v", p)
		}
	}
}

func TestPortsWithoutAny(t *testing.T) {
	if ports, err := portsBelow(t.TempDir()); len(ports) != 0 || err != nil {
		t.Errorf("%v, %v", ports, err)
	}
	if _, err := Ports(); err != nil { // of this machine, whatever they are
		t.Error(err)
	}
}
