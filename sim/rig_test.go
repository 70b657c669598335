package sim

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func streamed() Sensor {
	scale := DefaultScaleParams()
	return Sensor{Name: "caddy", Scale: &scale, Wire: &LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 3}}
}

func asked() Sensor {
	probe := DefaultProbeParams()
	return Sensor{Name: "probe", Probe: &probe, Wire: &SCPIWire{}}
}

// faster is a simulated clock that runs the given number of times faster than real time.
func faster(times int) func() time.Duration {
	start := time.Now()
	return func() time.Duration { return time.Duration(times) * time.Since(start) }
}

// start runs a rig and returns the function that ends it.
func start(t *testing.T, o RigOptions) (*Rig, func()) {
	t.Helper()
	r, err := NewRig(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- r.Run(ctx) }()
	return r, func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}

// listenFor reads a port for a time and returns the bytes of each read.
func listenFor(port io.Reader, d time.Duration) [][]byte {
	var got [][]byte
	buf := make([]byte, 4096)
	for begin := time.Now(); time.Since(begin) < d; {
		if n, err := port.Read(buf); err != nil {
			break
		} else if n > 0 {
			got = append(got, bytes.Clone(buf[:n]))
		}
	}
	return got
}

// In real time, each reading comes when it is due, and the runner sleeps in between.
func TestRigKeepsTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		looks := 0
		clock := faster(1)
		r, end := start(t, RigOptions{Cart: DefaultParams(), Sensors: []Sensor{streamed()}, Elapsed: func() time.Duration {
			looks++
			return clock()
		}})
		got := listenFor(r.Host("caddy"), 10*time.Second+50*time.Millisecond)
		near(t, "elapsed s", r.Truth().ElapsedS, 10, 0.11)
		end()
		if len(got) < 99 || len(got) > 101 {
			t.Errorf("%d readings in 10 s at 10/s", len(got))
		}
		for _, line := range got {
			if len(line) != 19 || !bytes.HasSuffix(line, []byte("kg\r\n")) {
				t.Errorf("one read brought %q", line)
			}
		}
		if looks > 1500 { // one every 2 ms would be 10 000
			t.Errorf("looked at the clock %d times in 10 s", looks)
		}
	})
}

// Sixty times faster: 600 lines a second, few at a time.
func TestRigDoesNotBurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, end := start(t, RigOptions{Cart: DefaultParams(), Sensors: []Sensor{streamed()}, Elapsed: faster(60)})
		got := listenFor(r.Host("caddy"), 2*time.Second)
		end()
		if lines := bytes.Count(bytes.Join(got, nil), []byte("\n")); lines < 1190 || lines > 1210 {
			t.Errorf("%d lines in 2 s", lines)
		}
		for _, b := range got {
			if n := bytes.Count(b, []byte("\n")); n > 2 {
				t.Errorf("%d lines at once", n)
			}
		}
	})
}

// The bytes of an undisturbed cart depend only on the seed, not on the speed of the clock or on when the runner wakes.
func TestRigIsDeterministic(t *testing.T) {
	first := func(seed uint64, speed int) (text string) {
		synctest.Test(t, func(t *testing.T) {
			p := DefaultParams()
			p.Seed = seed
			r, end := start(t, RigOptions{Cart: p, Sensors: []Sensor{streamed(), asked()}, Elapsed: faster(speed)})
			text = string(bytes.Join(listenFor(r.Host("caddy"), 21*time.Second/time.Duration(speed)), nil))
			end()
		})
		return text[:190*19]
	}
	if first(1, 1) != first(1, 7) {
		t.Error("speed changes the bytes")
	}
	if first(1, 1) == first(2, 1) {
		t.Error("the seed does not")
	}
}

func TestRigAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, end := start(t, RigOptions{Cart: plain(50), Sensors: []Sensor{asked()}, Elapsed: faster(1)})
		defer end()
		host := r.Host("probe")
		if len(listenFor(host, time.Second)) != 0 {
			t.Error("speaks unasked")
		}
		host.Write([]byte("MEAS:TE"))
		time.Sleep(time.Second)
		host.Write([]byte("MP?\nUNIT:TEMP?\n"))
		got := string(bytes.Join(listenFor(host, time.Second), nil))
		var celsius float64
		if _, err := fmt.Sscanf(got, "%e\nC\n", &celsius); err != nil || celsius < 49.8 || celsius > 50.2 {
			t.Errorf("answers %q, %v", got, err)
		}

		r.Faults("probe").Set(FaultSettings{Silent: true})
		host.Write([]byte("MEAS:TEMP?\n"))
		if got := listenFor(host, time.Second); len(got) != 0 {
			t.Errorf("silent, yet %q", got)
		}
		r.Faults("probe").Set(FaultSettings{Babble: true})
		if got := listenFor(host, 5*time.Second); len(got) < 9 { // at each of its ten readings
			t.Errorf("babbled %d times", len(got))
		}
	})
}

func TestRigPlugsAndHosts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, end := start(t, RigOptions{Cart: DefaultParams(), Sensors: []Sensor{streamed()}, Elapsed: faster(1)})
		time.Sleep(10 * time.Second) // no reader: these readings are lost
		host := r.Host("caddy")
		if got := listenFor(host, 950*time.Millisecond); len(got) > 10 {
			t.Errorf("%d old readings", len(got)-10)
		}
		if r.Host("caddy") != host {
			t.Error("an open host is opened again")
		}
		if err := r.Unplug("caddy"); err != nil {
			t.Error(err)
		}
		if _, err := host.Read(make([]byte, 8)); err == nil {
			t.Error("the host does not notice")
		}
		if r.Host("caddy") != nil {
			t.Error("an unplugged port opens")
		}
		if err := r.Replug("caddy"); err != nil {
			t.Error(err)
		}
		if got := listenFor(r.Host("caddy"), time.Second); len(got) < 9 {
			t.Errorf("%d readings after replugging", len(got))
		}
		r.Host("caddy").Close()
		if got := listenFor(r.Host("caddy"), time.Second); len(got) < 9 {
			t.Errorf("%d readings after opening again", len(got))
		}
		end()
		if r.Replug("caddy") == nil || r.Host("caddy") != nil {
			t.Error("a port opens after the end")
		}
		if err := r.Run(t.Context()); err == nil {
			t.Error("runs twice")
		}
	})
}

// All together: fluid, scale, protocol, terminal and serial library, a hundred times faster than real time.
func TestRigOnTerminals(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "ports")
	scale := DefaultScaleParams()
	sma := Sensor{Name: "supply", Scale: &scale, Wire: &SMAWire{Unit: "kg", Decimals: 3}, Line: LineSettings{DataBits: 7, Parity: "even"}}
	r, end := start(t, RigOptions{Cart: plain(50), Sensors: []Sensor{streamed(), sma}, Dir: dir, Elapsed: faster(100)})
	port := openSerial(t, r.Port("caddy"), 9600)
	r.Do(func(c *Cart) { c.OpenDrain() })
	lines := strings.SplitAfter(string(bytes.Join(listenFor(port, 1200*time.Millisecond), nil)), "\r\n")
	if len(lines) < 300 {
		t.Fatalf("%d lines in 1.2 s at 1000/s", len(lines))
	}
	shown := func(line string) (kg float64) {
		if _, err := fmt.Sscanf(line[3:], "GS,%fkg", &kg); err != nil {
			t.Errorf("%q: %v", line, err)
		}
		return kg
	}
	near(t, "first kg", shown(lines[0]), 3.2, 0.3)
	near(t, "last kg", shown(lines[len(lines)-2]), 3.2+r.Truth().DrainedKg, 0.1) // it keeps dripping between the two
	if drained := r.Truth().DrainedKg; drained < 2.8 {
		t.Errorf("%.3f kg drained in two minutes", drained)
	}

	seven := openSerial(t, r.Port("supply"), 9600)
	defer seven.Close()
	seven.Write([]byte("\nW\r"))
	if got := collect(seven, 20); len(got) != 20 || got[0] != '\n' || got[16] != 'k'|0x80 || got[19] != '\r'|0x80 { // two, five and three ones
		t.Errorf("seven bits: % X", got)
	}

	if err := r.Unplug("caddy"); err != nil {
		t.Error(err)
	}
	listenFor(port, time.Second) // ends with an error
	port.Close()
	if _, err := os.Lstat(r.Port("caddy")); err == nil {
		t.Error("unplugged, and the name is there")
	}
	if err := r.Replug("caddy"); err != nil {
		t.Error(err)
	}
	port = openSerial(t, r.Port("caddy"), 9600)
	defer port.Close()
	if len(listenFor(port, 50*time.Millisecond)) == 0 {
		t.Error("nothing after replugging")
	}
	end()
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if r.Replug("caddy") == nil {
		t.Error("replugged after the end")
	}
}

func TestRigRefusesNonsense(t *testing.T) {
	for name, spoil := range map[string]func(s *Sensor){
		"name":       func(s *Sensor) { s.Name = "" },
		"path":       func(s *Sensor) { s.Name = "a/b" },
		"hidden":     func(s *Sensor) { s.Name = ".scale" },
		"taken":      func(s *Sensor) { s.Name = "first" },
		"both":       func(s *Sensor) { s.Probe = &ProbeParams{ReadsPerS: 1} },
		"neither":    func(s *Sensor) { s.Scale = nil },
		"wire":       func(s *Sensor) { s.Wire = nil },
		"shape":      func(s *Sensor) { s.Wire = &LineWire{Shape: "round"} },
		"unit":       func(s *Sensor) { s.Wire = &SMAWire{Unit: "stone"} },
		"modbus":     func(s *Sensor) { s.Wire = &ModbusWire{Unit: 1, Function: 3, Type: "int16", Order: "BACD"} },
		"resolution": func(s *Sensor) { s.Scale = &ScaleParams{ReadsPerS: 1} },
		"rate":       func(s *Sensor) { s.Scale = &ScaleParams{ResolutionKg: 1} },
		"line":       func(s *Sensor) { s.Line.Baud = 1 },
	} {
		dir := t.TempDir()
		first, bad := streamed(), streamed()
		first.Name = "first"
		spoil(&bad)
		for _, where := range []string{dir, ""} {
			if _, err := NewRig(RigOptions{Cart: DefaultParams(), Sensors: []Sensor{first, bad}, Dir: where}); err == nil {
				t.Errorf("%s: passes in %q", name, where)
			}
		}
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Errorf("%s: the first sensor's port is left open", name)
		}
	}
	r, err := NewRig(RigOptions{Cart: DefaultParams()})
	if err != nil {
		t.Fatal(err)
	}
	if r.Unplug("x") == nil || r.Replug("x") == nil || r.Port("x") != "" || r.Host("x") != nil || r.Faults("x") != nil {
		t.Error("an unknown name is known")
	}
}
