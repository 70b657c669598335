package board

import (
	"net"
	"net/url"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// visibleWithin is the promised time within which every outage is visible.
const visibleWithin = 3 * time.Second

// liveBoard is a board that shows a live cart, with an open page.
func liveBoard(t *testing.T, broker string, cart *peer) *browser {
	t.Helper()
	at := runBoard(t, Config{Brokers: []string{"tcp://" + broker}, Shop: "hilltop"})
	page := follow(t, at+"/events/bay2")
	bridgetest.Eventually(t, 10*time.Second, "the broker", func() bool { return page.shows("bar", "NOT HEARD") || page.shows("bar", "LAST KNOWN") })
	cart.say("presence", online("a", time.Now()))
	cart.say("volumes", volumes("checking", 4.213, 2.104, 1.246))
	cart.say("window", windowAt("open", 38.4, "null", "200"))
	cart.say("job", job("checking", `[{"text":"Judge the level.","tone":"check"}]`, ""))
	bridgetest.Eventually(t, 5*time.Second, "a live cart", func() bool { return page.shows("bar", ">LIVE<") && page.shows("band", "CHECK NOW") })
	return page
}

// within measures how soon something is visible.
func within(t *testing.T, what string, shown func() bool) {
	t.Helper()
	began := time.Now()
	bridgetest.Eventually(t, 10*time.Second, what, shown)
	took := time.Since(began)
	t.Logf("%s: after %d ms", what, took.Milliseconds())
	if took > visibleWithin {
		t.Errorf("%s was to be seen only after %v", what, took)
	}
}

// A change is pushed at once, and only the changed pieces.
func TestChangeIsPushed(t *testing.T) {
	bridgetest.Slow(t)
	t.Parallel()
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart := connect(t, broker, nil)
	page := liveBoard(t, broker, cart)
	page.mu.Lock()
	before := page.came["caution"]
	page.mu.Unlock()
	cart.say("window", windowAt("open", 39.1, "null", "180"))
	within(t, "the change", func() bool { return page.shows("stage", "39.1 °C") && page.shows("stage", "3:00") })
	page.mu.Lock()
	defer page.mu.Unlock()
	if n := page.came["caution"]; n != before {
		t.Errorf("a piece that has not changed came %d times more", n-before)
	}
}

// When a sensor is silent its figure disappears and the reason is shown.
func TestSensorOutageIsVisible(t *testing.T) {
	bridgetest.Slow(t)
	t.Parallel()
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart := connect(t, broker, nil)
	page := liveBoard(t, broker, cart)
	cart.say("volumes", `{"ts":"2026-11-25T09:10:01.000Z","job":"van-7","phase":"checking","quality":"scale supply is silent","quality_code":"silent","quality_of":"supply","drained_l":4.213,"added_l":null,"remaining_l":null,"reference_c":20}`)
	cart.say("job", job("checking", `[{"text":"The probe fluid-probe is silent.","tone":"unmeasured"}]`, ""))
	cart.say("window", `{"ts":"2026-11-25T09:10:01.000Z","state":"blind","temp_c":null,"low_c":35,"high_c":45,"quality":"probe fluid-probe is silent","quality_code":"silent"}`)
	within(t, "the silent sensor", func() bool {
		return page.shows("stage", "supply is silent") && !page.shows("stage", "2.10") &&
			page.shows("band", "The probe fluid-probe is silent") && page.shows("band", "NOT MEASURED") && !page.shows("stage", "38.4")
	})
}

// When the bridge dies the broker publishes its will.
func TestBridgeOutageIsVisible(t *testing.T) {
	bridgetest.Slow(t)
	t.Parallel()
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	var socket net.Conn
	cart := connect(t, broker, func(o *mqtt.ClientOptions) {
		o.SetWill(bay2+"presence", offline("a", ""), 1, true)
		o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
			var err error
			socket, err = net.Dial("tcp", broker)
			return socket, err
		})
	})
	page := liveBoard(t, broker, cart)
	socket.Close()
	within(t, "the dead bridge", func() bool {
		return page.shows("bar", "CART OFFLINE") && page.shows("stage", "Last known") && page.shows("band", "NOT MEASURED") && page.piece("answers") == ""
	})
}

// When the broker dies its connections are closed.
func TestBrokerOutageIsVisible(t *testing.T) {
	bridgetest.Slow(t)
	t.Parallel()
	broker := bridgetest.FreePort(t)
	stop := startBroker(t, broker)
	cart := connect(t, broker, nil)
	page := liveBoard(t, broker, cart)
	stop()
	within(t, "the dead broker", func() bool {
		return page.shows("bar", "NO BROKER") && page.shows("stage", "Last known") && page.shows("band", "NOT MEASURED")
	})
	startBroker(t, broker)
	bridgetest.Eventually(t, 15*time.Second, "the broker's return", func() bool { return !page.shows("bar", "NO BROKER") })
	if page.shows("bar", ">LIVE<") {
		t.Error("the cart counts as live although it has said nothing since")
	}
	back := connect(t, broker, nil)
	bridgetest.Eventually(t, 15*time.Second, "the cart's return", func() bool {
		back.say("presence", online("a", time.Now()))
		back.say("volumes", volumes("filling", 4.213, 2.104, 1.246))
		return page.shows("bar", ">LIVE<")
	})
}

// A network that loses all packets closes no connection.
func TestDeadLineIsVisible(t *testing.T) {
	bridgetest.Slow(t)
	broker := bridgetest.FreePort(t)
	startBroker(t, broker)
	cart := connect(t, broker, nil)
	line := newLine(t, broker)
	page := liveBoard(t, line.address, cart)
	line.swallow()
	within(t, "the dead line", func() bool { return page.shows("bar", "NO BROKER") })
}

// line forwards bytes to the broker until it is set to lose them.
type line struct {
	address string
	dead    chan struct{}
}

func (l *line) swallow() { close(l.dead) }

func newLine(t *testing.T, broker string) *line {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &line{listener.Addr().String(), make(chan struct{})}
	var passing sync.WaitGroup
	var mu sync.Mutex
	var open []net.Conn
	pass := func(to, from net.Conn) {
		chunk := make([]byte, 4096)
		for {
			n, err := from.Read(chunk)
			if err != nil {
				return
			}
			select {
			case <-l.dead:
			default:
				to.Write(chunk[:n])
			}
		}
	}
	passing.Go(func() {
		for {
			near, err := listener.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", broker)
			if err != nil {
				near.Close()
				continue
			}
			mu.Lock()
			open = append(open, near, far)
			mu.Unlock()
			passing.Go(func() { pass(near, far) })
			passing.Go(func() { pass(far, near) })
		}
	})
	t.Cleanup(func() {
		listener.Close()
		mu.Lock()
		for _, c := range open {
			c.Close()
		}
		mu.Unlock()
		passing.Wait()
	})
	return l
}
