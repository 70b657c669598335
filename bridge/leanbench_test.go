package bridge

import (
	"os"
	"os/exec"
	"runtime"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayfill/bridge/bridgetest"
	"bayfill/sensors"
)

// mostOfBareLoop is what a reading may cost through the bridge, in readings through a bare
// copy loop: less than twice what was measured (testdata/measured/lean.md).
const mostOfBareLoop = 1.1

// fedLines is how many lines a feeder writes, one every five milliseconds.
const fedLines = 200

// feedLines writes lines to an instrument's end. It runs in a process of its own, since its
// processor time is not the bridge's.
func feedLines(to *os.File) {
	for n := range fedLines {
		to.WriteString(weightLine(n))
		time.Sleep(5 * time.Millisecond)
	}
}

// ownCPU is the processor time that this process has used.
func ownCPU(b testing.TB) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkReadingCost compares the processor time of readings through the bridge, with
// journal, history and raw readings, with that of a bare loop that copies the same lines from
// a pseudo-terminal to the same broker. Both run in this process, one after the other, in
// three turns, so the ratio depends little on the machine; one turn alone may be off by a half.
func BenchmarkReadingCost(b *testing.B) {
	broker, history := bridgetest.StartMosquitto(b), bridgetest.StartInflux(b)
	scale, scalePath := rawPty(b)
	_, probePath := rawPty(b)
	bare, barePath := rawPty(b)
	config := fleetConfig(b, 1, b.TempDir(), broker.URL, history.URL, func(_ int, sensor string) string {
		return map[string]string{"caddy": scalePath, "probe": probePath}[sensor]
	})
	feed := func(to *os.File) time.Duration {
		before := ownCPU(b)
		feeder := exec.Command("/proc/self/exe")
		feeder.Env, feeder.ExtraFiles = append(os.Environ(), feedEnv+"=1"), []*os.File{to}
		if out, err := feeder.CombinedOutput(); err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		return (ownCPU(b) - before) / fedLines
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1)) // wakes of idle threads vary with the machine
	var through, copied time.Duration
	const turns = 3
	for b.Loop() {
		for range turns {
			_, stop := runBridge(b, config, 1)
			feed(scale) // what a start costs
			through += feed(scale)
			stop()
			copied += copyCost(b, broker.URL, barePath, func() time.Duration { feed(bare); return feed(bare) })
		}
	}
	ratio := float64(through) / float64(copied)
	b.ReportMetric(float64(through.Microseconds())/float64(turns*b.N), "bridge-µs/reading")
	b.ReportMetric(float64(copied.Microseconds())/float64(turns*b.N), "bare-µs/reading")
	b.ReportMetric(ratio, "ratio")
	b.ReportMetric(0, "ns/op")
	if ratio > mostOfBareLoop {
		b.Errorf("a reading costs %.2f times as much as in a bare loop, at most %.2f times are allowed", ratio, mostOfBareLoop)
	}
}

// copyCost runs the bare loop while measure measures.
func copyCost(b *testing.B, brokerURL, path string, measure func() time.Duration) time.Duration {
	b.Helper()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(brokerURL).SetClientID("bare").SetProtocolVersion(4))
	if !client.Connect().WaitTimeout(5 * time.Second) {
		b.Fatal("no broker")
	}
	defer client.Disconnect(50)
	port, err := sensors.OpenSerial(path, sensors.LineSettings{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}, 500*time.Millisecond)
	if err != nil {
		b.Fatal(err)
	}
	var copying sync.WaitGroup
	copying.Go(func() { copyLines(port, client) })
	defer copying.Wait()
	defer port.Close()
	return measure()
}
