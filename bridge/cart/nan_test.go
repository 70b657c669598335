package cart

import (
	"encoding/binary"
	"encoding/json"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestNaNFromASensor checks that NaN never reaches a message: the leaves are published,
// the figure is null, and quality says why. Sensors send different things for "no
// value".
func TestNaNFromASensor(t *testing.T) {
	const (
		probeSCPI   = `{name: probe, role: transmission-temp, port: c, protocol: scpi, unit: C}`
		probeModbus = `{name: probe, role: transmission-temp, port: c, protocol: modbus, unit: C, unit_id: 1, type: float32, order: ABCD}`
		caddySMA    = `{name: caddy, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}`
		caddyModbus = `{name: caddy, role: caddy, port: a, protocol: modbus, unit: kg, unit_id: 1, type: float32, order: ABCD, capacity_kg: 30, resolution_kg: 0.005}`
	)
	float32Reply := func(f float32) string {
		reply := binary.BigEndian.AppendUint32([]byte{1, 3, 4}, math.Float32bits(f))
		return string(binary.LittleEndian.AppendUint16(reply, crc16(reply)))
	}
	good := map[string]string{
		bridgetest.CaddyLines: "ST,GS,+0003.200kg\r\n", caddySMA: "\n 1G       3.200kg \r", caddyModbus: float32Reply(3.2),
		bridgetest.ProbeLines: "+030.00 C\r\n", probeSCPI: "+3.000000E+01\n", probeModbus: float32Reply(30),
	}
	nan := float32(math.NaN())
	for _, c := range []struct{ name, scale, probe, bad, quality string }{
		{"SCPI not a number", bridgetest.CaddyLines, probeSCPI, "+9.910000E+37\n", "probe probe reports a fault"},
		{"SCPI infinity", bridgetest.CaddyLines, probeSCPI, "-9.900000E+37\n", "probe probe reports a fault"},
		{"SCPI NaN", bridgetest.CaddyLines, probeSCPI, "NaN\n", "probe probe sends damaged frames"},
		{"SCPI nothing", bridgetest.CaddyLines, probeSCPI, "", "probe probe is silent"},
		{"line NaN", bridgetest.CaddyLines, bridgetest.ProbeLines, "NaN\r\n", "probe probe sends damaged frames"},
		{"line dashes", bridgetest.CaddyLines, bridgetest.ProbeLines, "------- C\r\n", "probe probe sends damaged frames"},
		{"line nothing", bridgetest.CaddyLines, bridgetest.ProbeLines, "", "probe probe is silent"},
		{"registers NaN", bridgetest.CaddyLines, probeModbus, float32Reply(nan), "probe probe reports a fault"},
		{"registers infinity", bridgetest.CaddyLines, probeModbus, float32Reply(float32(math.Inf(1))), "probe probe reports a fault"},
		{"scale dashes", bridgetest.CaddyLines, bridgetest.ProbeLines, "ST,GS,--------kg\r\n", "scale caddy sends damaged frames"},
		{"scale NaN", bridgetest.CaddyLines, bridgetest.ProbeLines, "ST,GS,     NaNkg\r\n", "scale caddy sends damaged frames"},
		{"scale overloaded", bridgetest.CaddyLines, bridgetest.ProbeLines, "OL,GS,+0031.000kg\r\n", "scale caddy is overloaded"},
		{"SMA dashes", caddySMA, bridgetest.ProbeLines, "\nE1G  ----------kg \r", "scale caddy sends damaged frames"},
		{"scale nothing", bridgetest.CaddyLines, bridgetest.ProbeLines, "", "scale caddy is silent"},
		{"scale registers NaN", caddyModbus, bridgetest.ProbeLines, float32Reply(nan), "scale caddy sends damaged frames"},
		{"scale registers infinity", caddyModbus, bridgetest.ProbeLines, float32Reply(float32(math.Inf(-1))), "scale caddy sends damaged frames"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), c.scale, c.probe))
				says := map[string]string{"caddy": good[c.scale], "probe": good[c.probe]}
				l.start()
				l.instruments(says, 3)
				l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
				l.instruments(says, 6)
				l.bothGood("before the fault")
				which := "caddy"
				if strings.HasPrefix(c.quality, "probe") {
					which = "probe"
				}
				right := says[which]
				says[which] = c.bad
				before := map[string]int{"volumes": len(l.all("volumes")), "window": len(l.all("window"))}
				l.instruments(says, 14)
				if q := l.qualitiesSince(before); !q[c.quality] {
					t.Errorf("qualities %v, want %q among them", slices.Collect(maps.Keys(q)), c.quality)
				}
				l.onlyFaulty(which)
				if a := newest[wire.Alerts](l, wire.AlertsLeaf); len(a.Alerts) == 0 {
					t.Error("no alert")
				}
				for _, m := range l.all("readings") {
					if !json.Valid(m.payload) {
						t.Fatalf("reading %s is not JSON", m.payload)
					}
				}
				says[which] = right // the sensor recovers
				l.instruments(says, 13)
				l.bothGood("after the fault")
				state := bridgetest.Bits(l.state)
				l.stop()
				if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
					t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
				}
			})
		})
	}
}

// instruments lets each instrument send its text four times a second, or answer with it
// when it is polled.
func (l *lonely) instruments(says map[string]string, seconds int) {
	for name, text := range says {
		l.ports[name].answer.Store(&text)
	}
	for range seconds * 4 {
		for _, d := range l.drivers {
			if d.Protocol.Poll == nil {
				l.say(d.Name, says[d.Name])
			}
		}
		time.Sleep(250 * time.Millisecond)
	}
	synctest.Wait()
}

// qualitiesSince returns the qualities in the messages of each leaf after the given
// number, of which there must be some.
func (l *lonely) qualitiesSince(before map[string]int) map[string]bool {
	l.t.Helper()
	qualities := map[string]bool{}
	for leaf, n := range before {
		messages := l.all(leaf)[n:]
		if len(messages) == 0 {
			l.t.Errorf("%s was not published in 14 s", leaf)
		}
		for _, m := range messages {
			var head struct{ Quality string }
			if err := json.Unmarshal(m.payload, &head); err != nil {
				l.t.Errorf("%s: %v in %s", leaf, err, m.payload)
			}
			qualities[head.Quality] = true
		}
	}
	return qualities
}

// bothGood checks that volumes and window are published with good figures.
func (l *lonely) bothGood(when string) {
	l.t.Helper()
	v, w := newest[wire.Volumes](l, wire.VolumesLeaf), newest[wire.Window](l, wire.WindowLeaf)
	if v.Quality != "good" || !bridgetest.Known(v.DrainedL) || w.Quality != "good" || !bridgetest.Known(w.TempC) {
		l.t.Fatalf("%s: volumes %+v, window %+v", when, v, w)
	}
}

// onlyFaulty checks that the figures of the faulty sensor are null and the other's are
// not affected.
func (l *lonely) onlyFaulty(sensor string) {
	l.t.Helper()
	v, w := newest[wire.Volumes](l, wire.VolumesLeaf), newest[wire.Window](l, wire.WindowLeaf)
	if sensor == "probe" {
		if bridgetest.Known(w.TempC) || bridgetest.Known(w.RateCMin) || w.State != string(fillcalc.Blind) || w.Quality == "good" {
			l.t.Errorf("window %+v, want it blind", w)
		}
		if v.Quality != "good" || !bridgetest.Known(v.DrainedL) {
			l.t.Errorf("the probe affects the volumes: %+v", v)
		}
		return
	}
	if bridgetest.Known(v.DrainedL) || bridgetest.Known(v.DrainedUL) || bridgetest.Known(v.DrainedLMin) || bridgetest.Known(v.CaddyFreeL) || v.Quality == "good" {
		l.t.Errorf("volumes %+v, want them null", v)
	}
	if w.Quality != "good" || !bridgetest.Known(w.TempC) {
		l.t.Errorf("the scale affects the window: %+v", w)
	}
}

// crc16 is Modbus's checksum.
func crc16(data []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range data {
		crc ^= uint16(b)
		for range 8 {
			odd := crc&1 == 1
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// TestMinusZeroFromASensor checks that a zero has no sign in the live state, since it
// has none in the journal: otherwise the two would differ in a bit.
func TestMinusZeroFromASensor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t),
			`{name: caddy, role: caddy, port: a, protocol: line, pattern: counts, kg_per_count: -0.001, counts_at_zero: 500, capacity_kg: 30, resolution_kg: 0.005}`))
		for range 5 {
			l.say("caddy", "500\r\n")
			time.Sleep(100 * time.Millisecond)
		}
		synctest.Wait()
		state := bridgetest.Bits(l.state)
		l.stop()
		if again := bridgetest.Bits(journaltest.Replayed(t, l.path)); again != state {
			t.Errorf("the journal gives another state:\n%s\nlive:\n%s", again, state)
		}
	})
}
