package bridge

import (
	"context"
	"flag"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/mqtt"
)

var (
	loadCarts = flag.String("load-carts", "", "numbers of carts for TestChainLoad, as in 10,100,1000; empty: not at all")
	loadTime  = flag.Duration("load-time", 20*time.Second, "for how long TestChainLoad measures each number")
)

// What a cart sends: idle its presence, as TestIdleCartCosts counts it; in a job, which
// every fifth cart has, also the leaves that change. Sizes are those of a job in mid-fill.
var (
	idleLoad = []leafLoad{{"presence", 190, 10 * time.Second}}
	jobLoad  = []leafLoad{{"presence", 190, 2 * time.Second}, {"volumes", 620, 500 * time.Millisecond}, {"window", 700, 2 * time.Second}, {"job", 8000, time.Second}}
)

type leafLoad struct {
	leaf  string
	bytes int
	every time.Duration
}

// chainLoad is a number of carts on a broker of three nodes.
type chainLoad struct {
	t                     *testing.T
	nodes                 []string
	sent, unacked, failed atomic.Int64
	mu                    sync.Mutex
	late                  []time.Duration // from the change to the subscriber
}

// How a chain loads three nodes of a broker and one history on this machine. It is run on
// demand; testdata/measured/chain.md has the results.
func TestChainLoad(t *testing.T) {
	if *loadCarts == "" {
		t.Skip("on demand, with -load-carts 10,100,1000")
	}
	nodes := bridgetest.StartNATS(t)
	influx := bridgetest.StartInflux(t)
	for _, text := range strings.Split(*loadCarts, ",") {
		carts, err := strconv.Atoi(text)
		if err != nil {
			t.Fatal(err)
		}
		l := &chainLoad{t: t, nodes: bridgetest.URLs(nodes)}
		connecting, writing := l.run(carts, influx.URL)
		slices.Sort(l.late)
		at := func(share float64) time.Duration {
			return l.late[min(len(l.late)-1, int(share*float64(len(l.late))))].Round(100 * time.Microsecond)
		}
		if len(l.late) == 0 {
			t.Fatalf("%d carts: nothing arrived", carts)
		}
		t.Logf("%d carts: connected in %v, %.0f messages/s sent, %.0f received, p50 %v, p99 %v, max %v; %d without acknowledgement, %d connections failed; a second of points written in %v",
			carts, connecting.Round(time.Millisecond), float64(l.sent.Load())/loadTime.Seconds(), float64(len(l.late))/loadTime.Seconds(),
			at(0.5), at(0.99), at(1), l.unacked.Load(), l.failed.Load(), writing.Round(time.Millisecond))
	}
}

// run connects the carts, lets them send, and returns how long connecting took, and a write
// of their points at most.
func (l *chainLoad) run(carts int, influx string) (connecting, writing time.Duration) {
	ctx, stop := context.WithCancel(l.t.Context())
	var work sync.WaitGroup
	defer work.Wait()
	defer stop()
	reader, err := mqtt.Dial(ctx, mqtt.Endpoint{URLs: l.nodes[:1], ClientID: "reader", Username: "board", Password: "secret"})
	if err != nil {
		l.t.Fatal(err)
	}
	defer reader.Close()
	var measuring atomic.Bool
	receive := func(m mqtt.Message) {
		ns, err := strconv.ParseInt(strings.TrimSpace(string(m.Payload[:20])), 10, 64)
		if err == nil && !m.Retained && measuring.Load() {
			l.mu.Lock()
			l.late = append(l.late, time.Since(time.Unix(0, ns)))
			l.mu.Unlock()
		}
	}
	for _, leaf := range jobLoad {
		if err := reader.Subscribe(ctx, receive, mqtt.Filter{Topic: "bayfill/+/+/" + leaf.leaf, QoS: 1}); err != nil {
			l.t.Fatal(err)
		}
	}
	began := time.Now()
	start := make(chan struct{})
	var connected sync.WaitGroup
	slots := make(chan struct{}, 16) // carts that connect at once
	for i := range carts {
		connected.Add(1)
		work.Go(func() {
			slots <- struct{}{}
			conn, err := mqtt.Dial(ctx, mqtt.Endpoint{URLs: l.nodes[i%3 : i%3+1], ClientID: fmt.Sprint("load-", i), Username: "bridge", Password: "secret"})
			<-slots
			connected.Done()
			if err != nil {
				l.failed.Add(1)
				return
			}
			defer conn.Close()
			<-start
			l.cart(ctx, conn, i)
		})
	}
	connected.Wait()
	connecting = time.Since(began)
	work.Go(func() { writing = writePoints(ctx, l.t, influx, carts, start) })
	measuring.Store(true)
	close(start)
	time.Sleep(*loadTime)
	measuring.Store(false)
	stop()
	work.Wait()
	return connecting, writing
}

// cart sends what one cart sends until ctx ends.
func (l *chainLoad) cart(ctx context.Context, conn *mqtt.Conn, i int) {
	load := idleLoad
	if i%5 == 0 {
		load = jobLoad
	}
	prefix := fmt.Sprintf("bayfill/shop%03d/bay%d/", i/5, i%5)
	due := make([]time.Time, len(load))
	for n := range load { // not all carts at once
		due[n] = time.Now().Add(load[n].every * time.Duration(i%97) / 97)
	}
	for ctx.Err() == nil {
		n := 0
		for k := range load {
			if due[k].Before(due[n]) {
				n = k
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(time.Until(due[n])):
		}
		payload := fmt.Appendf(nil, "%20d%*s", due[n].UnixNano(), load[n].bytes-20, "")
		l.sent.Add(1)
		if err := conn.Publish(ctx, mqtt.Message{Topic: prefix + load[n].leaf, Payload: payload, QoS: 1, Retained: true}); err != nil && ctx.Err() == nil {
			l.unacked.Add(1)
			if conn.Err() != nil {
				return
			}
		}
		due[n] = due[n].Add(load[n].every)
	}
}

// writePoints writes each second what the carts give the history by default, and of every
// fifth cart all that a job gives. It returns how long the slowest write took.
func writePoints(ctx context.Context, t *testing.T, url string, carts int, start <-chan struct{}) (slowest time.Duration) {
	<-start
	client := history.NewHistory(config.History{URL: url, Bucket: "bayfill/autogen"}, "", http.DefaultClient)
	defer client.Close()
	for second := 0; ctx.Err() == nil; second++ {
		next := time.Now().Add(time.Second)
		var lines []string
		for i := range carts {
			readings := 0
			if i%5 == 0 {
				readings = 22
			} else if i%20 == second%20 {
				readings = 1
			}
			for r := range readings {
				lines = append(lines, fmt.Sprintf("bayfill_reading,shop=shop%03d,cart=bay%d,sensor=s%d kg=3.2e+00,n=%di,seq=%di %d", i/5, i%5, r%3, second, second*22+r, next.Add(time.Duration(r)*time.Millisecond).UnixNano()))
			}
		}
		began := time.Now()
		if refused, err := client.Send(ctx, lines); (err != nil || len(refused) > 0) && ctx.Err() == nil {
			t.Errorf("history: %v, %d refused", err, len(refused))
		}
		slowest = max(slowest, time.Since(began))
		select {
		case <-ctx.Done():
		case <-time.After(time.Until(next)):
		}
	}
	return slowest
}
