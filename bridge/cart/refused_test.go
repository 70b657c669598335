package cart

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
)

// TestRefusedLinesBecomeDeadLetters checks that the forwarder keeps what the history
// refuses, with the reason, goes on, and has the cart report it.
func TestRefusedLinesBecomeDeadLetters(t *testing.T) {
	server := bridgetest.StartInflux(t)
	server.QL(`CREATE DATABASE brief WITH DURATION 1h`)
	c := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines)
	c.History = config.History{URL: server.URL, Bucket: "brief/autogen"}
	own, err := New(t.Context(), c, &c.Carts[0], Options{Log: bridgetest.Log(), Speed: 1, History: true})
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()
	client, err := history.Open(c.History, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	// Somebody wrote an integer first: the first type wins.
	now := time.Now().UnixNano()
	if _, err := client.Send(t.Context(), []string{fmt.Sprintf("bayfill_volume,shop=test,cart=cart added_l=1i %d", now)}); err != nil {
		t.Fatal(err)
	}
	const n = 1500 // more than one batch
	bad := map[uint64]struct{ measurement, fields, reason string }{
		101:  {points.VolumeMeasurement, "added_l=1e0", "type conflict"},
		202:  {points.WindowMeasurement, "temp_c=NaN", "invalid number"},
		203:  {points.WindowMeasurement, "garbage", "invalid field format"},
		1303: {points.JobMeasurement, `vehicle="never ends`, "unbalanced quotes"},
	}
	j := own.Journal()
	batch := journal.Batch{Events: bridgetest.Weights(2, n)} // after the start
	for i := range batch.Events {
		e := &batch.Events[i]
		e.AtNs = now + int64(e.Seq)
		if e.Seq == 7 {
			e.AtNs = now - int64(48*time.Hour) // beyond the retention
		}
		if p, ok := bad[e.Seq]; ok {
			batch.Published = append(batch.Published, points.Published{Seq: e.Seq, Measurement: p.measurement, Fields: p.fields})
		}
	}
	journaltest.Append(t, j, batch)

	ctx, stop := context.WithCancel(t.Context())
	var work sync.WaitGroup
	reportHistory, err := own.WatchHistory(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	forward, err := history.NewForwarder("test", "cart", config.KeepAll, j, client, own.Grown(), reportHistory, bridgetest.Log())
	if err != nil {
		t.Fatal(err)
	}
	work.Go(func() { forward.Run(ctx) })
	bridgetest.Eventually(t, 30*time.Second, "the mark at the end", func() bool { mark, _, err := j.Sent(); return err == nil && mark == n+1 })
	stop()
	work.Wait()
	reported := ""
	for len(own.inbox) > 0 {
		if h := <-own.inbox; h.alert.Code == wire.AlertHistoryRefused {
			reported = h.alert.Text
		}
	}
	if !strings.Contains(reported, "refused 5 lines for good") {
		t.Errorf("the alert says %q", reported)
	}
	dead, err := j.DeadLetters(t.Context())
	if err != nil || len(dead) != 1+len(bad) {
		t.Fatalf("%d dead letters, %v: %v", len(dead), err, dead)
	}
	if r := dead[0]; !strings.Contains(r.Line, "seq=7i") || !strings.Contains(r.Reason, "beyond retention policy") {
		t.Errorf("dead letter: %+v", r)
	}
	for seq, p := range bad {
		if !slices.ContainsFunc(dead, func(r journal.Refused) bool {
			return strings.HasPrefix(r.Line, p.measurement) && strings.Contains(r.Line, p.fields) && strings.HasSuffix(r.Line, fmt.Sprint(now+int64(seq))) &&
				strings.Contains(r.Reason, p.reason)
		}) {
			t.Errorf("%+v is no dead letter for %q: %+v", p.fields, p.reason, dead)
		}
	}
	rows := bridgetest.QueryRows(t, server, "brief/autogen", points.ReadingMeasurement)
	if len(rows) != n-1 {
		t.Errorf("%d readings arrived of %d", len(rows), n-1)
	}
}
