package bridge

import (
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"bayfill/fillcalc"
)

func openTestHistory(t *testing.T, url, bucket string) *history {
	t.Helper()
	h, err := openHistory(HistoryConfig{URL: url, Bucket: bucket}, 1)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(h.close)
	return h
}

// count is how many points of a measurement a bucket holds.
func (i *influx) count(measurement string) int { return len(i.rows(measurement)) }

// One line that can never be written must not stop or hide the others: each
// kind of bad line is found and refused with the server's reason, and every good
// one arrives.
func TestOneBadLineHarmsNoOther(t *testing.T) {
	server := startInflux(t)
	server.ql(`CREATE DATABASE brief WITH DURATION 1h`)
	now := time.Now().UnixNano()
	good := func(n int) string {
		return fmt.Sprintf("bayfill_reading,shop=test,cart=cart,sensor=caddy kg=%de0,seq=%di %d", n, n, now+int64(n))
	}
	bad := map[string]string{
		"an integer for a float": fmt.Sprintf("bayfill_reading,shop=test,cart=cart,sensor=caddy kg=1i %d", now+1001),
		"a NaN":                  fmt.Sprintf("bayfill_reading,shop=test,cart=cart,sensor=caddy kg=NaN %d", now+1002),
		"a 70 kB string":         fmt.Sprintf("bayfill_input,shop=test,cart=cart body=\"%s\" %d", strings.Repeat("x", 70_000), now+1003),
		"garbage":                "no line at all",
		"too old":                fmt.Sprintf("bayfill_reading,shop=test,cart=cart,sensor=caddy kg=1e0 %d", now-int64(48*time.Hour)),
	}
	var lines []string
	for n := range 10 {
		lines = append(lines, good(n))
	}
	for _, line := range bad {
		lines = append(lines, line, good(len(lines)))
	}
	goods := len(lines) - len(bad)

	refused, err := openTestHistory(t, server.url, "brief/autogen").send(t.Context(), lines)
	if err != nil {
		t.Fatal(err)
	}
	wrong := map[string]bool{}
	for _, r := range refused {
		wrong[r.Line] = true
		if r.Reason == "" {
			t.Errorf("no reason for %.60s", r.Line)
		}
	}
	for name, line := range bad {
		// 1.8.10 takes a string of 70 kB in a field: then it is no bad line.
		if !wrong[line] && name != "a 70 kB string" {
			t.Errorf("%s was not refused", name)
		}
		delete(wrong, line)
	}
	for line := range wrong {
		t.Errorf("a good line was refused: %s", line)
	}
	stored := 0
	for _, row := range queryRows(t, server, "brief/autogen", readingMeasurement) {
		if row["kg"] != nil {
			stored++
		}
	}
	if stored != goods {
		t.Errorf("%d good points are stored, want %d", stored, goods)
	}
}

// The forwarder keeps what the history refuses, with the reason, and goes on.
func TestRefusedLinesAreSetAside(t *testing.T) {
	server := startInflux(t)
	h := openTestHistory(t, server.url, "bayfill/autogen")
	// Somebody wrote an integer first: the first type wins.
	if _, err := h.send(t.Context(), []string{"bayfill_volume,shop=test,cart=cart drained_l=1i 1"}); err != nil {
		t.Fatal(err)
	}
	j := openTestJournal(t, t.TempDir()+"/cart.journal")
	events := weights(1, 50)
	mustAppend(t, j, Batch{Events: events, Published: []Published{{Seq: 20, Measurement: volumeMeasurement, Fields: "drained_l=1e0,seq=20i"}}})
	f := &forwarder{shop: "test", cart: "cart", journal: j, history: h, log: testLog()}
	n, refused, err := f.once(t.Context())
	if err != nil || n != 50 || refused != 1 {
		t.Fatalf("%d events sent, %d refused, %v", n, refused, err)
	}
	aside, err := j.SetAside(t.Context())
	if err != nil || len(aside) != 1 || !strings.Contains(aside[0].Line, "bayfill_volume") || !strings.Contains(aside[0].Reason, "type conflict") {
		t.Errorf("set aside: %+v, %v", aside, err)
	}
	if mark, err := j.Sent(); err != nil || mark != 50 {
		t.Errorf("the mark is at %d, %v", mark, err)
	}
	if got := server.count(readingMeasurement); got != 50 {
		t.Errorf("%d readings arrived", got)
	}
}

// A server that is away, wrongly set up, overloaded or hidden behind a proxy
// for a day: nothing is set aside for it, and in the end everything is there, in
// order, once.
func TestHistoryAwayForADay(t *testing.T) {
	server := startInflux(t)
	real, err := url.Parse(server.url)
	if err != nil {
		t.Fatal(err)
	}
	proxy := httputil.NewSingleHostReverseProxy(real)
	answers := []struct {
		name   string
		status int
		header map[string]string
		body   string
		told   string
	}{
		{"wrong retention policy", 500, map[string]string{"X-Influxdb-Version": "1.8.10"}, `{"error":"retention policy not found: x"}`, "retention policy"},
		{"wrong token", 401, map[string]string{"X-Influxdb-Version": "1.8.10"}, `{"error":"authorization failed"}`, "refuses the token"},
		{"wrong database", 404, map[string]string{"X-Influxdb-Version": "1.8.10"}, `{"error":"database not found"}`, "no such bucket"},
		{"overload", 429, map[string]string{"Retry-After": "1"}, ``, "answers 429"},
		{"a proxy's page", 400, map[string]string{"Content-Type": "text/html"}, `<html>Bad Request</html>`, "answers 400"},
		{"a proxy's page", 502, map[string]string{"Content-Type": "text/html"}, `<html>Bad Gateway</html>`, "answers 502"},
	}
	var turn atomic.Int32 // of the answers; past the end the real server answers
	var most atomic.Int64
	front := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		most.Store(max(most.Load(), r.ContentLength))
		n := int(turn.Load())
		if n >= len(answers) {
			proxy.ServeHTTP(w, r)
			return
		}
		io.Copy(io.Discard, r.Body)
		for name, value := range answers[n].header {
			w.Header().Set(name, value)
		}
		w.WriteHeader(answers[n].status)
		io.WriteString(w, answers[n].body)
	})}
	address := freePort(t)
	h := openTestHistory(t, "http://"+address, "bayfill/autogen")

	// A day at one weight every two seconds and a tally every ten minutes.
	j := openTestJournal(t, memoryDir(t)+"/cart.journal")
	const events = 43_200
	dayAgo := time.Now().Add(-24 * time.Hour).UnixNano()
	for from := 1; from <= events; from += 2000 {
		b := Batch{Events: weights(uint64(from), min(2000, events-from+1))}
		for i := range b.Events {
			b.Events[i].AtNs = dayAgo + int64(b.Events[i].Seq)*2e9
			if seq := b.Events[i].Seq; seq%300 == 0 {
				b.Published = append(b.Published, Published{Seq: seq, Measurement: volumeMeasurement, Fields: fmt.Sprintf("drained_l=1e0,seq=%di", seq)})
			}
		}
		mustAppend(t, j, b)
	}
	f := &forwarder{shop: "test", cart: "cart", journal: j, history: h, log: testLog()}

	// Nobody listens.
	if _, _, err := f.once(t.Context()); err == nil || !strings.Contains(explainHistory(err), "does not answer") {
		t.Fatalf("without a server: %v", err)
	}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() { front.Serve(listener) })
	defer serving.Wait()
	defer front.Close()
	for i, a := range answers {
		turn.Store(int32(i))
		_, refused, err := f.once(t.Context())
		if err == nil || refused != 0 || !strings.Contains(explainHistory(err), a.told) {
			t.Fatalf("%s: %d refused, told %v", a.name, refused, err)
		}
		if wait := retryAfter(err); a.status == 429 && wait != time.Second {
			t.Errorf("%s: waits %v", a.name, wait)
		}
	}
	if mark, _ := j.Sent(); mark != 0 {
		t.Fatalf("the mark moved to %d though nothing was taken", mark)
	}

	// The right server at last; the forwarder is restarted in the middle.
	turn.Store(int32(len(answers)))
	for range 2 {
		told := make(chan string, 1000)
		ctx, stop := context.WithCancel(t.Context())
		f := &forwarder{shop: "test", cart: "cart", journal: j, history: h, log: testLog(),
			told: func(trouble string, refused int) { told <- fmt.Sprint(trouble, refused) }}
		var work sync.WaitGroup
		work.Go(func() { f.run(ctx) })
		before, _ := j.Sent()
		eventually(t, 60*time.Second, "the history to catch up", func() bool {
			mark, err := j.Sent()
			return err == nil && (mark == events || before == 0 && mark > events/2)
		})
		stop()
		work.Wait()
		close(told)
		for text := range told {
			if text != "0" {
				t.Errorf("told %q", text)
			}
		}
	}
	rows := server.rows(readingMeasurement)
	if len(rows) != events {
		t.Fatalf("%d readings arrived of %d", len(rows), events)
	}
	for i, r := range rows {
		if r["seq"].(int64) != int64(i+1) {
			t.Fatalf("at place %d stands event %v", i+1, r["seq"])
		}
	}
	if got := server.count(volumeMeasurement); got != events/300 {
		t.Errorf("%d volumes arrived of %d", got, events/300)
	}
	if aside, err := j.SetAside(t.Context()); err != nil || len(aside) != 0 {
		t.Errorf("set aside: %d lines, %v", len(aside), err)
	}
	if most.Load() > 500_000 {
		t.Errorf("a request of %d bytes: batches are not bounded", most.Load())
	}
}

// Broker and history go away in mid-drain and come back in mid-fill: the same
// points as without, and the leaves of the job's end.
func TestOutagesInMidJob(t *testing.T) {
	broker, server := startMosquitto(t), startInflux(t)
	const speed = 10
	rig := testRig(t, speed)
	data := t.TempDir()
	s := subscribe(t, broker.url, "", "", "bayfill/#")
	b, stop := runBridge(t, testConfig(t, rig, data, broker.url, server.url), speed)
	ready(t, s)
	shortJob(t, rig, s, func(phase string) {
		if phase != "draining" {
			return
		}
		seqBefore := read[VolumesMessage](s, VolumesLeaf).Seq
		broker.stop(syscall.SIGKILL)
		server.stop(syscall.SIGKILL)
		alerts := func() string { return string(b.carts[0].link.payload(AlertsLeaf)) }
		eventually(t, 20*time.Second, "both alerts", func() bool {
			return strings.Contains(alerts(), `"broker"`) && strings.Contains(alerts(), `"history"`)
		})
		broker.start()
		server.start()
		// The subscriber may come back only after the bridge: what counts is new.
		eventually(t, 30*time.Second, "newer volumes", func() bool { return read[VolumesMessage](s, VolumesLeaf).Seq > seqBefore })
		eventually(t, 30*time.Second, "no alerts", func() bool { return len(read[AlertsMessage](s, AlertsLeaf).Alerts) == 0 })
	})
	decideAll(s)
	s.must(`"do":"close"`)
	eventually(t, 10*time.Second, "the closed job", func() bool { return read[VolumesMessage](s, VolumesLeaf).Phase == "closed" })
	v := read[VolumesMessage](s, VolumesLeaf)
	if d := float64(v.DrainedL) - rig.Truth().DrainedL(testUsed, 20); math.Abs(d) > 0.02 {
		t.Errorf("drained %.4f L is %+.4f L from the truth", v.DrainedL, d)
	}
	late := subscribe(t, broker.url, "", "", "bayfill/#")
	eventually(t, 10*time.Second, "the retained job", func() bool { return read[JobMessage](late, JobLeaf).Phase == "closed" })
	if got := read[VolumesMessage](late, VolumesLeaf); got.DrainedL != v.DrainedL || got.AddedL != v.AddedL {
		t.Errorf("retained %+v, the job ended with %+v", got, v)
	}
	stop()
	compareHistory(t, data, server)
}

// A line made by hand reads back as what went in.
func TestLines(t *testing.T) {
	e := fillcalc.Event{Seq: 7, AtNs: 1_700_000_000_000_000_001, Kind: fillcalc.KindWeight, Sensor: "caddy", N: 3, Value: 3, Stability: fillcalc.Stable}
	for _, c := range []struct {
		change func(*fillcalc.Event)
		want   string
	}{
		{func(*fillcalc.Event) {}, `bayfill_reading,shop=test,cart=cart,sensor=caddy kg=3e+00,kind=1i,stability=1i,faults=0i,n=3i,seq=7i 1700000000000000001`},
		{func(e *fillcalc.Event) { e.Kind, e.Value = fillcalc.KindTemperature, 21.5 }, `bayfill_reading,shop=test,cart=cart,sensor=caddy c=2.15e+01,kind=2i,stability=1i,faults=0i,n=3i,seq=7i 1700000000000000001`},
		{func(e *fillcalc.Event) { e.Faults = fillcalc.FaultChecksum }, `bayfill_reading,shop=test,cart=cart,sensor=caddy kind=1i,stability=1i,faults=4i,n=3i,seq=7i 1700000000000000001`},
		{func(e *fillcalc.Event) {
			e.Kind, e.Input = fillcalc.KindInput, &fillcalc.Input{Do: fillcalc.DoAbandon, Why: "a \"b\" \\ \n"}
		}, `bayfill_input,shop=test,cart=cart body="{\"do\":\"abandon\",\"why\":\"a \\\"b\\\" \\\\ \\n\"}",seq=7i 1700000000000000001`},
	} {
		changed := e
		c.change(&changed)
		if got, err := lineOf("test", "cart", &changed); err != nil || got != c.want {
			t.Errorf("%v\n got %s\nwant %s", err, got, c.want)
		}
	}
}

// Any text stays one line, and JSON comes back as it was by the rules of line
// protocol: in a quoted string, backslash escapes quote and backslash.
func FuzzTextField(f *testing.F) {
	f.Add("plain")
	f.Add("{\"a\":\"\\\"\\n\"}")
	f.Add("\n\r\t\x00\\\"")
	f.Fuzz(func(t *testing.T, text string) {
		var fs fields
		fs.text("body", text)
		line := string(fs.b)
		if strings.ContainsAny(line, "\n\r\t") {
			t.Fatalf("%q does not stay one line", line)
		}
		quoted, ok := strings.CutPrefix(line, `body="`)
		if !ok || !strings.HasSuffix(quoted, `"`) {
			t.Fatalf("%q is not quoted", line)
		}
		quoted = strings.TrimSuffix(quoted, `"`)
		var back strings.Builder
		for i := 0; i < len(quoted); i++ {
			if quoted[i] == '"' {
				t.Fatalf("%q ends early", line)
			}
			if quoted[i] == '\\' {
				i++
				if i == len(quoted) || quoted[i] != '\\' && quoted[i] != '"' {
					t.Fatalf("%q holds a wrong escape", line)
				}
			}
			back.WriteByte(quoted[i])
		}
		want := strings.NewReplacer("\n", " ", "\r", " ", "\t", " ").Replace(text)
		if back.String() != want {
			t.Fatalf("%q came back as %q", want, back.String())
		}
	})
}
