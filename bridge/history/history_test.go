package history

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
)

func openTestHistory(t *testing.T, url, bucket string) *Client {
	t.Helper()
	h, err := Open(config.History{URL: url, Bucket: bucket}, 1)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(h.Close)
	return h
}

// One line that the server can never accept must not stop or hide the others: every bad
// line is found and refused with the server's reason, and every good one arrives.
func TestOneBadLineHarmsNoOther(t *testing.T) {
	server := bridgetest.StartInflux(t)
	server.QL(`CREATE DATABASE brief WITH DURATION 1h`)
	now := time.Now().UnixNano()
	good := func(n int) string {
		return fmt.Sprintf("bayfill_reading,shop=test,cart=cart,sensor=caddy kg=%de0,seq=%di %d", n, n, now+int64(n))
	}
	bad := map[string]string{
		"an integer for a float": fmt.Sprintf("bayfill_reading,shop=test,cart=cart,sensor=caddy kg=1i %d", now+1001),
		"a NaN":                  fmt.Sprintf("bayfill_reading,shop=test,cart=cart,sensor=caddy kg=NaN %d", now+1002),
		"a 70 kB string":         fmt.Sprintf("bayfill_input,shop=test,cart=cart body=\"%s\" %d", strings.Repeat("x", 70_000), now+1003),
		"a 70 kB tag":            fmt.Sprintf("bayfill_input,shop=test,cart=%s body=\"x\" %d", strings.Repeat("x", 70_000), now+1004),
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

	refused, err := openTestHistory(t, server.URL, "brief/autogen").Send(t.Context(), lines)
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
		// 1.8.10 accepts a string of 70 kB in a field: then it is not a bad line.
		if !wrong[line] && name != "a 70 kB string" {
			t.Errorf("%s was not refused", name)
		}
		delete(wrong, line)
	}
	for line := range wrong {
		t.Errorf("a good line was refused: %s", line)
	}
	stored := 0
	for _, row := range bridgetest.QueryRows(t, server, "brief/autogen", points.ReadingMeasurement) {
		if row.Fields["kg"] != nil {
			stored++
		}
	}
	if stored != goods {
		t.Errorf("%d good points are stored, want %d", stored, goods)
	}
	for _, row := range bridgetest.QueryRows(t, server, "brief/autogen", points.InputMeasurement) {
		if body, _ := row.Fields["body"].(string); len(body) != 70_000 {
			t.Errorf("of the long string %d bytes are stored", len(body))
		}
	}
}

// Only InfluxDB itself can refuse a line for good, whatever is between it and the bridge.
// A limit of size is met with smaller batches.
func TestOnlyInfluxRefusesForGood(t *testing.T) {
	version1 := map[string]string{"X-Influxdb-Version": "1.8.10", "X-Influxdb-Error": "unable to parse", "Content-Type": "application/json"}
	version2 := map[string]string{"Content-Type": "application/json; charset=utf-8"}
	for _, c := range []struct {
		name    string
		status  int
		header  map[string]string
		body    string
		refused bool
	}{
		{"1.8, bad line", 400, version1, `{"error":"unable to parse 'x': missing fields"}`, true},
		{"2, bad line", 400, version2, `{"code":"invalid","message":"unable to parse"}`, true},
		{"2, wrong type", 422, version2, `{"code":"unprocessable entity","message":"failure writing points to database: partial write: field type conflict"}`, true},
		{"1.8, line too large", 413, version1, `{"error":"Request Entity Too Large"}`, true},
		{"2, line too large", 413, version2, `{"code":"request too large","message":"points batch is too large"}`, true},
		{"proxy's limit", 413, map[string]string{"Content-Type": "text/html"}, "<html>", false},
		{"gateway's limit", 413, version2, `{"message":"Payload Too Large"}`, false},
		{"2, no such bucket", 404, version2, `{"code":"not found","message":"bucket not found"}`, false},
		{"2, no right", 401, version2, `{"code":"unauthorized","message":"unauthorized access"}`, false},
		{"2, overload", 429, version2, `{"code":"too many requests","message":"slow down"}`, false},
		{"2, fault", 500, version2, `{"code":"internal error","message":"disk"}`, false},
		{"1.8, no such retention policy", 500, version1, `{"error":"retention policy not found: x"}`, false},
		{"proxy's page", 400, map[string]string{"Content-Type": "text/html"}, "<html>", false},
		{"proxy's text", 400, nil, "Client sent an HTTP request to an HTTPS server.", false},
		{"gateway's JSON", 400, version2, `{"message":"Bad Request"}`, false},
		{"gateway's broken JSON", 400, version2, `{"message`, false},
		{"gateway's JSON", 422, version2, `{"code":"REQUEST_BLOCKED"}`, false},
		{"portal", 302, map[string]string{"Location": "/login"}, "", false},
		{"login page", 403, nil, "", false},
		{"bad gateway", 502, nil, "", false},
	} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			for name, value := range c.header {
				w.Header().Set(name, value)
			}
			w.WriteHeader(c.status)
			io.WriteString(w, c.body)
		}))
		refused, err := openTestHistory(t, s.URL, "b").Send(t.Context(), []string{"x"})
		s.Close()
		if (err == nil) != c.refused || (len(refused) == 1) != c.refused {
			t.Errorf("%s: refused %v, error %v; want it refused for good: %v", c.name, refused, err, c.refused)
		}
	}

	var got []string
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		if len(body) > 1000 {
			w.WriteHeader(http.StatusRequestEntityTooLarge)
			return
		}
		got = append(got, strings.Split(strings.TrimSpace(string(body)), "\n")...)
		w.Header().Set("X-Influxdb-Version", "1.8.10")
		w.WriteHeader(http.StatusNoContent)
	}))
	defer s.Close()
	var lines []string
	for i := range 500 {
		lines = append(lines, fmt.Sprintf("m x=%di", i))
	}
	if refused, err := openTestHistory(t, s.URL, "b").Send(t.Context(), lines); err != nil || len(refused) != 0 || !slices.Equal(got, lines) {
		t.Errorf("through a limit of size: %d lines arrived, refused %v, %v", len(got), refused, err)
	}
}

// The text says what stops the history: the server, the journal, or a proxy in between.
func TestTroubleNamesItsCause(t *testing.T) {
	limit := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusRequestEntityTooLarge) }))
	defer limit.Close()
	refuses := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Influxdb-Version", "1.8.10")
		w.WriteHeader(http.StatusBadRequest)
	}))
	defer refuses.Close()
	for _, c := range []struct {
		name, url  string
		change     func(j *journal.Journal) error
		says, does string
	}{
		{"nobody listens", "http://" + bridgetest.FreePort(t), nil, "history server does not answer: ", ""},
		{"a proxy's limit", limit.URL, nil, "a proxy before the history server refuses even a single line as too large", ""},
		{"the journal lacks a table", limit.URL, func(j *journal.Journal) error { _, err := j.DB.Exec("DROP TABLE published"); return err },
			"the history is not updated because the journal fails: journal: ", "free disk space or replace the card"},
		{"the mark is damaged", limit.URL, func(j *journal.Journal) error { return journal.SetMark(j.DB, "sent", "x") },
			"the history is not updated because the journal fails: journal: mark sent", "is damaged: stop the program"},
		{"an event is damaged", limit.URL, func(j *journal.Journal) error { _, err := j.DB.Exec("UPDATE event SET kind = 9"); return err },
			"the history is not updated because the journal fails: journal: event 1: ", "is damaged: stop the program"},
		{"the disk is full", refuses.URL, func(j *journal.Journal) error {
			_, err := j.DB.Exec("CREATE TRIGGER full BEFORE UPDATE ON mark BEGIN INSERT INTO set_aside VALUES (0, hex(zeroblob(100000)), ''); END")
			journaltest.FillUp(t, j)
			return errors.Join(err, journal.SetMark(j.DB, "sent", "0 false"))
		}, "the history is not updated because the journal fails: journal: ", "(13): free disk space"},
		{"the disk is read-only", refuses.URL, func(j *journal.Journal) error { _, err := j.DB.Exec("PRAGMA query_only = 1"); return err },
			"the history is not updated because the journal fails: journal: ", ": the disk is read-only"},
	} {
		j := journaltest.Open(t, t.TempDir()+"/cart.journal")
		journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 3)})
		if c.change != nil {
			if err := c.change(j); err != nil {
				t.Fatal(err)
			}
		}
		f := &Forwarder{Shop: "test", Cart: "cart", Journal: j, Client: openTestHistory(t, c.url, "b"), Log: bridgetest.Log()}
		_, _, err := f.Once(t.Context())
		text := ""
		if err != nil {
			text = explain(err).Error()
		}
		if !strings.HasPrefix(text, c.says) || !strings.Contains(text, c.does) || strings.Contains(text, "damaged") && strings.Contains(text, "disk space") {
			t.Errorf("%s: the text is %q, want %q and %q", c.name, text, c.says, c.does)
		}
		if dead, err := j.DeadLetters(t.Context()); len(dead) != 0 || err != nil {
			t.Errorf("%s: dead letters %v, %v", c.name, dead, err)
		}
	}
}

// A server that is away is asked less and less often, but at least once every 90 s,
// unless it says itself how long to wait. Afterwards the backlog is sent at once and new
// events within forwardEvery.
func TestForwarderWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var times []time.Time // of the requests
		status, after := 503, ""
		answer := func(s int, a string) { mu.Lock(); defer mu.Unlock(); status, after = s, a }
		asked := func() []time.Time { synctest.Wait(); mu.Lock(); defer mu.Unlock(); return slices.Clone(times) }
		client := NewHistory(config.History{URL: "http://history", Bucket: "b"}, "", &http.Client{
			Transport: bridgetest.RoundTrip(func(r *http.Request) (*http.Response, error) {
				mu.Lock()
				defer mu.Unlock()
				times = append(times, time.Now())
				header := http.Header{"X-Influxdb-Version": {"1.8.10"}}
				if after != "" {
					header.Set("Retry-After", after)
				}
				return &http.Response{StatusCode: status, Header: header, Body: http.NoBody, Request: r}, nil
			})})
		defer client.Close()
		j := journaltest.Open(t, bridgetest.MemoryDir(t)+"/cart.journal")
		journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(1, 3500)})
		grown := make(chan struct{}, 1)
		reports := map[string]int{}
		f := &Forwarder{Shop: "test", Cart: "cart", Journal: j, Client: client, Log: bridgetest.Log(), Grown: grown,
			Report: func(trouble string, _ int) { reports[trouble]++ }}
		ctx, stop := context.WithCancel(t.Context())
		var work sync.WaitGroup
		work.Go(func() { f.Run(ctx) })

		for range 1800 { // half an hour in which new events come
			time.Sleep(time.Second)
			select {
			case grown <- struct{}{}:
			default:
			}
		}
		backoff := time.Second
		half := asked()
		for i := range len(half) - 1 {
			if gap := half[i+1].Sub(half[i]); gap < backoff/2 || gap > backoff*3/2 {
				t.Errorf("request %d came after %v, want %v to %v", i+2, gap, backoff/2, backoff*3/2)
			}
			backoff = min(2*backoff, time.Minute)
		}
		if len(half) < 20 || reports["history server answers 503: Service Unavailable"] != len(half) {
			t.Errorf("%d requests in half an hour, reports %v", len(half), reports)
		}
		for seconds, want := range map[string]time.Duration{"200": 200 * time.Second, "86400": 10 * time.Minute} {
			answer(429, seconds)
			time.Sleep(2 * time.Minute) // the next request gets this answer
			before := asked()
			last := before[len(before)-1]
			time.Sleep(time.Until(last.Add(want - time.Millisecond)))
			if n := len(asked()) - len(before); n != 0 {
				t.Errorf("asked to wait %s s, it sent %d requests before", seconds, n)
			}
			answer(503, "")
			time.Sleep(2 * time.Minute)
			if n := len(asked()) - len(before); n == 0 {
				t.Errorf("asked to wait %s s, it sent no request within %v", seconds, want+2*time.Minute)
			}
		}
		answer(204, "")
		time.Sleep(90 * time.Second)
		if all := asked(); all[len(all)-1].Sub(all[len(all)-4]) != 3*catchUpPause {
			t.Errorf("four batches took %v", all[len(all)-1].Sub(all[len(all)-4]))
		}
		if mark, _, err := j.Sent(); mark != 3500 || err != nil {
			t.Errorf("the mark is at %d, %v", mark, err)
		}
		journaltest.Append(t, j, journal.Batch{Events: bridgetest.Weights(3501, 1)})
		grown <- struct{}{}
		time.Sleep(forwardEvery)
		synctest.Wait()
		if mark, _, err := j.Sent(); mark != 3501 || err != nil {
			t.Errorf("the mark is at %d, %v", mark, err)
		}
		stop()
		work.Wait()
		j.Close()
	})
}

// A server is away, misconfigured, overloaded or hidden behind a proxy for a day. No line
// becomes a dead letter because of that, and in the end every event is there, in order,
// once.
func TestHistoryAwayForADay(t *testing.T) {
	server := bridgetest.StartInflux(t)
	real, err := url.Parse(server.URL)
	if err != nil {
		t.Fatal(err)
	}
	proxy := httputil.NewSingleHostReverseProxy(real)
	answers := []struct {
		name   string
		status int
		header map[string]string
		body   string
		text   string
	}{
		{"wrong retention policy", 500, map[string]string{"X-Influxdb-Version": "1.8.10"}, `{"error":"retention policy not found: x"}`, "retention policy"},
		{"wrong token", 401, map[string]string{"X-Influxdb-Version": "1.8.10"}, `{"error":"authorization failed"}`, "refuses the token"},
		{"wrong database", 404, map[string]string{"X-Influxdb-Version": "1.8.10"}, `{"error":"database not found"}`, "no such bucket"},
		{"overload", 429, map[string]string{"Retry-After": "1"}, ``, "answers 429"},
		{"a proxy's page", 400, map[string]string{"Content-Type": "text/html"}, `<html>Bad Request</html>`, "answers 400"},
		{"a gateway's JSON", 400, map[string]string{"Content-Type": "application/json"}, `{"message":"Bad Request"}`, "answers 400"},
		{"a proxy's page", 502, map[string]string{"Content-Type": "text/html"}, `<html>Bad Gateway</html>`, "answers 502"},
	}
	var turn atomic.Int32      // of the answers; past the end the real server answers
	var maxBytes atomic.Int64  // of a request
	var lose, lost atomic.Bool // an answer of the real server, on its way back
	front := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		maxBytes.Store(max(maxBytes.Load(), r.ContentLength))
		n := int(turn.Load())
		if n >= len(answers) && lose.Load() && !lost.Load() {
			proxy.ServeHTTP(httptest.NewRecorder(), r)
			lost.Store(true)
			panic(http.ErrAbortHandler)
		}
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
	address := bridgetest.FreePort(t)
	h := openTestHistory(t, "http://"+address, "bayfill/autogen")

	// A day at one weight every four seconds and a tally every ten minutes.
	j := journaltest.Open(t, bridgetest.MemoryDir(t)+"/cart.journal")
	const events = 21_600
	dayAgo := time.Now().Add(-24 * time.Hour).UnixNano()
	for from := 1; from <= events; from += 2000 {
		b := journal.Batch{Events: bridgetest.Weights(uint64(from), min(2000, events-from+1))}
		for i := range b.Events {
			b.Events[i].AtNs = dayAgo + int64(b.Events[i].Seq)*4e9
			if seq := b.Events[i].Seq; seq%150 == 0 {
				b.Published = append(b.Published, points.Published{Seq: seq, Measurement: points.VolumeMeasurement, Fields: fmt.Sprintf("drained_l=1e0,seq=%di", seq)})
			}
		}
		journaltest.Append(t, j, b)
	}
	f := &Forwarder{Shop: "test", Cart: "cart", Journal: j, Client: h, Log: bridgetest.Log()}

	// Nobody listens.
	if _, _, err := f.Once(t.Context()); err == nil || !strings.Contains(explain(err).Error(), "does not answer") {
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
		_, refused, err := f.Once(t.Context())
		if err == nil || refused != 0 || !strings.Contains(explain(err).Error(), a.text) {
			t.Fatalf("%s: %d refused, %v", a.name, refused, err)
		}
		if wait := retryAfter(err); a.status == 429 && wait != time.Second {
			t.Errorf("%s: waits %v", a.name, wait)
		}
	}
	if mark, _, _ := j.Sent(); mark != 0 {
		t.Fatalf("the mark moved to %d though the server accepted nothing", mark)
	}

	// Now the right server. In the middle the forwarder is killed at the worst moment:
	// the server has accepted a batch, and its answer is lost.
	turn.Store(int32(len(answers)))
	run := func(until func(mark uint64) bool) {
		ctx, kill := context.WithCancel(t.Context())
		f := &Forwarder{Shop: "test", Cart: "cart", Journal: j, Client: h, Log: bridgetest.Log(), Report: func(trouble string, refused int) {
			if refused != 0 || trouble != "" && !lost.Load() {
				t.Errorf("reported %q, %d refused", trouble, refused)
			}
		}}
		var work sync.WaitGroup
		work.Go(func() { f.Run(ctx) })
		bridgetest.Eventually(t, 60*time.Second, "the history to catch up", func() bool {
			mark, _, err := j.Sent()
			return err == nil && until(mark)
		})
		kill()
		work.Wait()
	}
	run(func(mark uint64) bool {
		if mark > events/2 {
			lose.Store(true)
		}
		return lost.Load()
	})
	lose.Store(false)
	mark, _, err := j.Sent()
	if err != nil || mark >= events {
		t.Fatalf("the mark is at %d, %v", mark, err)
	}
	if taken := server.Count(points.ReadingMeasurement); uint64(taken) != mark+forwardBatch {
		t.Fatalf("the server has %d readings, the mark is at %d: that was not the worst moment", taken, mark)
	}
	run(func(mark uint64) bool { return mark == events })
	rows := server.Rows(points.ReadingMeasurement)
	if len(rows) != events {
		t.Fatalf("%d readings arrived of %d", len(rows), events)
	}
	for i, r := range rows {
		if r.Fields["seq"].(int64) != int64(i+1) {
			t.Fatalf("event %[2]v is at place %[1]d", i+1, r.Fields["seq"])
		}
	}
	if got := server.Count(points.VolumeMeasurement); got != events/150 {
		t.Errorf("%d volumes arrived of %d", got, events/150)
	}
	if dead, err := j.DeadLetters(t.Context()); err != nil || len(dead) != 0 {
		t.Errorf("dead letters: %d lines, %v", len(dead), err)
	}
	if maxBytes.Load() > 500_000 {
		t.Errorf("a request of %d bytes: batches are not bounded", maxBytes.Load())
	}
}

// Carts that send while a request is under way share the next one; what the server
// refuses of it is found for each cart alone.
func TestCartsShareARequest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var bodies []string
		client := NewHistory(config.History{URL: "http://history", Bucket: "b"}, "", &http.Client{
			Transport: bridgetest.RoundTrip(func(r *http.Request) (*http.Response, error) {
				body, _ := io.ReadAll(r.Body)
				mu.Lock()
				bodies = append(bodies, string(body))
				mu.Unlock()
				time.Sleep(time.Second)
				status := http.StatusNoContent
				if strings.Contains(string(body), "bad") {
					status = http.StatusBadRequest
				}
				return &http.Response{StatusCode: status, Header: http.Header{"X-Influxdb-Version": {"1.8.10"}}, Body: http.NoBody, Request: r}, nil
			})})
		defer client.Close()
		var carts sync.WaitGroup
		send := func(line string, want int) {
			carts.Go(func() {
				if refused, err := client.Send(t.Context(), []string{line}); len(refused) != want || err != nil {
					t.Errorf("%s: %d refused, %v", line, len(refused), err)
				}
			})
			synctest.Wait()
		}
		send("a", 0)
		send("b", 0)
		send("c", 0)
		time.Sleep(time.Second) // the answer to a has come
		synctest.Wait()
		send("d", 0)
		send("bad", 1)
		carts.Wait()
		slices.Sort(bodies[3:])
		if want := []string{"a", "b\nc", "d\nbad", "bad", "d"}; len(bodies) != 5 || !slices.Equal(bodies[:2], want[:2]) || !slices.Equal(bodies[3:], want[3:]) {
			t.Errorf("requests %q, want %q", bodies, want)
		}
	})
}
