package bridge

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/term"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/sensors"
)

// rawPty opens a pseudo-terminal that passes bytes unchanged. The slave stays open so that
// the master survives its readers.
func rawPty(b testing.TB) (master *os.File, path string) {
	b.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		b.Fatal(err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { master.Close(); slave.Close() })
	return master, slave.Name()
}

// fleetConfig returns the configuration of n carts, each with a scale and a probe.
func fleetConfig(b testing.TB, n int, data, brokerURL, historyURL string, port func(cart int, sensor string) string) *config.Config {
	b.Helper()
	var t strings.Builder
	fmt.Fprintf(&t, "shop: test\ndata: %s\nbroker: {url: %q}\nhistory: {url: %q, bucket: bayfill/autogen}\n", data, brokerURL, historyURL)
	t.WriteString("fluids:\n  - {name: used, density_kg_m3: 858}\n  - {name: fresh, density_kg_m3: 846}\ncarts:\n")
	for i := range n {
		name := "cart"
		if n > 1 {
			name = fmt.Sprintf("cart%d", i)
		}
		fmt.Fprintf(&t, `  - name: %s
    sensors:
      - {name: caddy, role: caddy, port: %s, protocol: line, pattern: value-unit, capacity_kg: 30, resolution_kg: 0.005}
      - {name: probe, role: transmission-temp, port: %s, protocol: line, pattern: temperature}
`, name, port(i, "caddy"), port(i, "probe"))
	}
	c, err := config.Parse([]byte(t.String()))
	if err != nil {
		b.Fatal(err)
	}
	return c
}

// BenchmarkLineToSubscriber measures the time from the last byte of a line on a
// pseudo-terminal to the message at a subscriber: through the bridge, with an open job and a
// journal, and through a bare loop that copies the line to the same broker. The two take
// turns in one run; only their ratios are meaningful.
func BenchmarkLineToSubscriber(b *testing.B) {
	broker := bridgetest.StartMosquitto(b)
	scale, scalePath := rawPty(b)
	probe, probePath := rawPty(b)
	bare, barePath := rawPty(b)
	config := fleetConfig(b, 1, b.TempDir(), broker.URL, "", func(_ int, sensor string) string {
		return map[string]string{"caddy": scalePath, "probe": probePath}[sensor]
	})
	config.Readings = "all" // as the bare loop
	_, stop := runBridge(b, config, 1)
	defer stop()

	port, err := sensors.OpenSerial(barePath, sensors.LineSettings{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}, 500*time.Millisecond)
	if err != nil {
		b.Fatal(err)
	}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker.URL).SetClientID("bare").SetProtocolVersion(4))
	if !client.Connect().WaitTimeout(5 * time.Second) {
		b.Fatal("no broker")
	}
	var copying sync.WaitGroup
	copying.Go(func() { copyLines(port, client) })
	defer func() { port.Close(); copying.Wait(); client.Disconnect(50) }()

	arrived := make(chan time.Time, 16)
	listener := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker.URL).SetClientID("listener").SetProtocolVersion(4))
	if !listener.Connect().WaitTimeout(5 * time.Second) {
		b.Fatal("no broker")
	}
	defer listener.Disconnect(50)
	hear := func(_ mqtt.Client, m mqtt.Message) { arrived <- time.Now() }
	listener.SubscribeMultiple(map[string]byte{"bare": 0, "bayfill/test/cart/readings": 0}, hear).WaitTimeout(5 * time.Second)

	kg := 3.0
	line := func() []byte { kg += 0.005; return fmt.Appendf(nil, "%8.3f kg\r\n", kg) }
	once := func(to *os.File) time.Duration {
		text := line()
		start := time.Now()
		to.Write(text)
		select {
		case at := <-arrived:
			return at.Sub(start)
		case <-time.After(2 * time.Second):
			return -1
		}
	}
	// The protocol skips the first line. Then a job is opened.
	for range 100 {
		if once(scale) >= 0 {
			break
		}
	}
	for range 5 {
		probe.WriteString("+025.0 C\r\n")
	}
	keypad := bridgetest.Subscribe(b, broker.URL, "", "", "bayfill/test/cart/replies/+")
	for _, command := range []string{bridgetest.OpenJob, `"do":"phase","phase":"draining"`} {
		for range 30 {
			once(scale)
			time.Sleep(100 * time.Millisecond)
		}
		keypad.Must(command)
	}
	for len(arrived) > 0 {
		<-arrived
	}

	var through, copied []time.Duration
	for b.Loop() {
		// The pace of a scale, slightly varied: lines do not come in bursts.
		time.Sleep(15 * time.Millisecond)
		through = append(through, once(scale))
		time.Sleep(15 * time.Millisecond)
		copied = append(copied, once(bare))
	}
	quantile := func(d []time.Duration, q float64) float64 {
		slices.Sort(d)
		return float64(d[int(q*float64(len(d)-1))].Microseconds())
	}
	if through[0] < 0 || copied[0] < 0 {
		b.Fatal("a line never arrived")
	}
	for _, q := range []struct {
		name string
		q    float64
	}{{"p50", 0.5}, {"p99", 0.99}} {
		bridge, bare := quantile(through, q.q), quantile(copied, q.q)
		b.ReportMetric(bridge, "bridge-"+q.name+"-µs")
		b.ReportMetric(bare, "bare-"+q.name+"-µs")
		b.ReportMetric(bridge/bare, q.name+"-ratio")
	}
	b.ReportMetric(0, "ns/op")
}

// cpuOf returns the processor time that a process has used.
func cpuOf(b testing.TB, pid int) time.Duration {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	f := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}

func residentMB(b testing.TB, pid int) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if kb, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			n, _ := strconv.Atoi(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(kb), "kB")))
			return float64(n) / 1024
		}
	}
	b.Fatal("no VmRSS")
	return 0
}

// bareLoop copies lines from two ports to a broker and does nothing else. It shows the cost
// of a process that wakes as often as the bridge must. TestMain runs it in a process of its
// own.
func bareLoop(brokerURL string, ports []string) {
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(brokerURL).SetClientID("bare-loop").SetProtocolVersion(4))
	client.Connect().WaitTimeout(5 * time.Second)
	var copying sync.WaitGroup
	for _, path := range ports {
		port, err := sensors.OpenSerial(path, sensors.LineSettings{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}, 500*time.Millisecond)
		if err != nil {
			panic(err)
		}
		copying.Go(func() { copyLines(port, client) })
	}
	copying.Wait()
}

// copyLines publishes every line of a port until the port ends.
func copyLines(port io.Reader, to mqtt.Client) {
	buf := make([]byte, 512)
	for {
		n, err := port.Read(buf)
		if err != nil {
			return
		}
		if n > 0 {
			to.Publish("bare", 0, false, slices.Clone(buf[:n]))
		}
	}
}

// BenchmarkOneCart runs the program itself with one cart at ten weights and two temperatures
// a second, an open job, a journal and a history, for half a minute per operation. It reports
// the share of a core and the resident memory. At the same time it runs a bare loop that
// copies as many lines to the same broker.
func BenchmarkOneCart(b *testing.B) {
	broker, history := bridgetest.StartMosquitto(b), bridgetest.StartInflux(b)
	dir := b.TempDir()
	program := filepath.Join(dir, "bayfill")
	if out, err := exec.Command("go", "build", "-o", program, "bayfill/cmd/bayfill").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	scale, scalePath := rawPty(b)
	probe, probePath := rawPty(b)
	bareScale, bareScalePath := rawPty(b)
	bareProbe, bareProbePath := rawPty(b)
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	bare := bridgetest.Process{T: b, Path: self, Env: []string{bareLoopEnv + "=" + strings.Join([]string{broker.URL, bareScalePath, bareProbePath}, " ")}}
	bare.Start()
	defer bare.Stop(syscall.SIGKILL)
	config := fmt.Sprintf(`
shop: test
data: %s
broker: {url: %q}
history: {url: %q, bucket: bayfill/autogen}
fluids: [{name: used, density_kg_m3: 858}, {name: fresh, density_kg_m3: 846}]
carts:
  - name: cart
    sensors:
      - {name: caddy, role: caddy, port: %s, protocol: line, pattern: value-unit, capacity_kg: 30, resolution_kg: 0.005}
      - {name: probe, role: transmission-temp, port: %s, protocol: line, pattern: temperature}
`, dir, broker.URL, history.URL, scalePath, probePath)
	file := filepath.Join(dir, "bayfill.yaml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		b.Fatal(err)
	}
	p := bridgetest.Process{T: b, Path: program, Args: []string{"run", "--config", file}}
	p.Start()
	defer p.Stop(syscall.SIGTERM)
	ctx, stop := context.WithCancel(context.Background())
	var feeding sync.WaitGroup
	defer feeding.Wait()
	defer stop()
	feeding.Go(func() {
		for i := 0; ctx.Err() == nil; i++ {
			for _, to := range []io.Writer{scale, bareScale} {
				fmt.Fprintf(to, "%8.3f kg\r\n", 3+0.005*float64(i/3)) // fluid is flowing
			}
			for _, to := range []io.Writer{probe, bareProbe} {
				if i%5 == 0 {
					fmt.Fprintf(to, "+%06.2f C\r\n", 25+0.001*float64(i))
				}
			}
			time.Sleep(100 * time.Millisecond)
		}
	})
	keypad := bridgetest.Subscribe(b, broker.URL, "", "", "bayfill/test/cart/#")
	bridgetest.Eventually(b, 10*time.Second, "the cart", func() bool { _, ok := keypad.Last("/readings"); return ok })
	time.Sleep(3 * time.Second)
	keypad.Must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
	const long = 30 * time.Second
	var cpu, bareCPU time.Duration
	rounds := 0
	for b.Loop() {
		before, bareBefore := cpuOf(b, p.Cmd.Process.Pid), cpuOf(b, bare.Cmd.Process.Pid)
		time.Sleep(long)
		cpu += cpuOf(b, p.Cmd.Process.Pid) - before
		bareCPU += cpuOf(b, bare.Cmd.Process.Pid) - bareBefore
		rounds++
	}
	share := func(d time.Duration) float64 { return 100 * d.Seconds() / (float64(rounds) * long.Seconds()) }
	b.ReportMetric(share(cpu), "%core")
	b.ReportMetric(share(bareCPU), "bare-%core")
	b.ReportMetric(cpu.Seconds()/bareCPU.Seconds(), "ratio")
	b.ReportMetric(residentMB(b, p.Cmd.Process.Pid), "MB-resident")
	b.ReportMetric(0, "ns/op")
}

// pacedLines is a transport without a port that delivers a line whenever one is due.
type pacedLines struct {
	every time.Duration
	next  time.Time
	line  func(n int) string
	n     int
	ended chan struct{}
	once  sync.Once
}

func (p *pacedLines) Read(buf []byte) (int, error) {
	if p.next.IsZero() {
		p.next = time.Now()
	}
	select {
	case <-p.ended:
		return 0, io.EOF
	case <-time.After(time.Until(p.next)):
	}
	p.next = p.next.Add(p.every)
	p.n++
	return copy(buf, p.line(p.n)), nil
}

func (p *pacedLines) Write(b []byte) (int, error) { return len(b), nil }
func (p *pacedLines) Close() error                { p.once.Do(func() { close(p.ended) }); return nil }

func weightLine(n int) string { return fmt.Sprintf("%8.3f kg\r\n", 3+0.005*float64(n%2000)) }
func probeLine(n int) string  { return fmt.Sprintf("+%06.2f C\r\n", 25+0.01*float64(n%2000)) }

// fleetCheck checks the journals of a fleet: every frame of every sensor must be there, in
// order, and none may be much too late.
func fleetCheck(b testing.TB, config *config.Config) (readings int, worstGap time.Duration) {
	b.Helper()
	for _, cart := range config.Carts {
		j, err := journal.Open(config.JournalPath(cart.Name))
		if err != nil {
			b.Fatal(err)
		}
		events, err := j.Events(context.Background(), 0, 1<<30)
		j.Close()
		if err != nil {
			b.Fatal(err)
		}
		last, lastNs := map[string]uint64{}, map[string]int64{}
		for _, e := range events {
			if e.Input != nil {
				continue
			}
			readings++
			if e.N != last[e.Sensor]+1 {
				b.Fatalf("%s %s: frame %d follows %d", cart.Name, e.Sensor, e.N, last[e.Sensor])
			}
			if before := lastNs[e.Sensor]; before != 0 && e.Sensor == "caddy" {
				worstGap = max(worstGap, time.Duration(e.AtNs-before))
			}
			last[e.Sensor], lastNs[e.Sensor] = e.N, e.AtNs
		}
	}
	return readings, worstGap
}

// BenchmarkFleet runs many carts in one process at ten weights and two temperatures a second,
// for ten seconds per operation: up to 40 carts (80 ports) with pseudo-terminals, up to 200 in
// memory. It fails when a reading is lost. It reports the processor time per cart, which must
// not rise with the number of carts, and the longest gap between two weights of a scale that
// sends one every 100 ms.
func BenchmarkFleet(b *testing.B) {
	for _, size := range []struct {
		carts int
		pty   bool
	}{{1, true}, {10, true}, {40, true}, {10, false}, {50, false}, {200, false}} {
		name := fmt.Sprintf("memory/%d", size.carts)
		if size.pty {
			name = fmt.Sprintf("pty/%d", size.carts)
		}
		b.Run(name, func(b *testing.B) {
			broker := bridgetest.StartMosquitto(b)
			feed, stopFeeding := context.WithCancel(context.Background())
			var feeding sync.WaitGroup
			defer feeding.Wait()
			defer stopFeeding()
			var config *config.Config
			o := Options{Log: bridgetest.Log()}
			if size.pty {
				config = fleetConfig(b, size.carts, b.TempDir(), broker.URL, "", func(_ int, sensor string) string {
					master, path := rawPty(b)
					line, every := weightLine, 100*time.Millisecond
					if sensor == "probe" {
						line, every = probeLine, 500*time.Millisecond
					}
					feeding.Go(func() {
						tick := time.NewTicker(every)
						defer tick.Stop()
						for n := 1; feed.Err() == nil; n++ {
							master.WriteString(line(n))
							<-tick.C
						}
					})
					return path
				})
			} else {
				config = fleetConfig(b, size.carts, b.TempDir(), broker.URL, "", func(cart int, sensor string) string {
					return fmt.Sprintf("memory-%d-%s", cart, sensor)
				})
				o.Open = func(_, sensor string) (io.ReadWriteCloser, error) {
					p := &pacedLines{every: 100 * time.Millisecond, line: weightLine, ended: make(chan struct{})}
					if sensor == "probe" {
						p.every, p.line = 500*time.Millisecond, probeLine
					}
					return p, nil
				}
			}
			ctx, stop := context.WithCancel(context.Background())
			defer stop()
			bridge, err := New(ctx, config, o)
			if err != nil {
				b.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { ended <- bridge.Run(ctx) }()
			time.Sleep(2 * time.Second) // connecting is not what is measured
			const long = 10 * time.Second
			var cpu time.Duration
			rounds := 0
			for b.Loop() {
				before := cpuOf(b, os.Getpid())
				time.Sleep(long)
				cpu += cpuOf(b, os.Getpid()) - before
				rounds++
			}
			resident := residentMB(b, os.Getpid())
			stop()
			if err := <-ended; err != nil {
				b.Fatal(err)
			}
			readings, gap := fleetCheck(b, config)
			if want := size.carts * rounds * 120; readings < want {
				b.Fatalf("%d readings in the journals, at least %d were sent", readings, want)
			}
			b.ReportMetric(100*cpu.Seconds()/(float64(rounds)*long.Seconds())/float64(size.carts), "%core/cart")
			b.ReportMetric(float64(gap.Milliseconds()), "worst-gap-ms")
			b.ReportMetric(resident, "MB-resident")
			b.ReportMetric(0, "ns/op")
		})
	}
}
