package bridgetest

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"bayfill/bridge/influxql"
)

// Influx is an InfluxDB 1.8, which has the write API of version 2.
type Influx struct {
	Process
	URL string
}

// StartInflux starts an InfluxDB with an empty database bayfill.
func StartInflux(t testing.TB) *Influx {
	t.Helper()
	path := NeedProgram(t, "influxd")
	address, backup := FreePort(t), FreePort(t)
	dir := t.TempDir()
	config := fmt.Sprintf(`reporting-disabled = true
bind-address = %q
[meta]
  dir = %q
[data]
  dir = %q
  wal-dir = %q
  index-version = "tsi1"
[http]
  bind-address = %q
  log-enabled = false
[monitor]
  store-enabled = false
`, backup, dir+"/meta", dir+"/data", dir+"/wal", address)
	file := filepath.Join(dir, "influxd.toml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	i := &Influx{URL: "http://" + address}
	i.Process = Process{T: t, Path: path, Args: []string{"-config", file}}
	i.Start()
	t.Cleanup(func() { i.Stop(syscall.SIGTERM) })
	i.QL("CREATE DATABASE bayfill")
	return i
}

// Start starts the server and waits until it answers.
func (i *Influx) Start() {
	i.T.Helper()
	i.Process.Start()
	Eventually(i.T, time.Minute, "influxd to answer", func() bool {
		r, err := http.Get(i.URL + "/ping")
		if err != nil {
			return false
		}
		r.Body.Close()
		return r.StatusCode == http.StatusNoContent
	})
}

// QL runs a statement, say one that creates a database.
func (i *Influx) QL(statement string) {
	i.T.Helper()
	r, err := http.PostForm(i.URL+"/query", map[string][]string{"q": {statement}, "db": {"bayfill"}})
	if err != nil {
		i.T.Fatal(err)
	}
	defer r.Body.Close()
	if body, _ := io.ReadAll(r.Body); r.StatusCode != 200 || bytes.Contains(body, []byte("error")) {
		i.T.Fatalf("%s: %s", statement, body)
	}
}

// Rows reads all points of a measurement in order of time.
func (i *Influx) Rows(measurement string) []influxql.Row {
	i.T.Helper()
	return QueryRows(i.T, i, "bayfill/autogen", measurement)
}

// QueryRows is the same for a bucket, which is database/retention here.
func QueryRows(t testing.TB, i *Influx, bucket, measurement string) (rows []influxql.Row) {
	t.Helper()
	client := influxdb2.NewClient(i.URL, "")
	defer client.Close()
	reader := influxql.New(client, bucket, func(string) bool { return false })
	schema, err := reader.Schema(t.Context(), measurement)
	if err != nil {
		t.Fatal(err)
	}
	q := influxql.Query{From: measurement, Fields: schema[measurement], UntilNs: math.MaxInt64}
	if err := reader.Rows(t.Context(), q, func(r *influxql.Row) error {
		rows = append(rows, *r)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	slices.SortStableFunc(rows, func(a, b influxql.Row) int { return cmp.Compare(a.AtNs, b.AtNs) })
	return rows
}

// Write writes lines into the default bucket, as everybody can who has the token.
func (i *Influx) Write(lines ...string) {
	i.T.Helper()
	i.WriteTo("bayfill/autogen", lines...)
}

// WriteTo writes lines into a bucket.
func (i *Influx) WriteTo(bucket string, lines ...string) {
	i.T.Helper()
	client := influxdb2.NewClient(i.URL, "")
	defer client.Close()
	if err := client.WriteAPIBlocking("", bucket).WriteRecord(context.Background(), lines...); err != nil {
		i.T.Fatal(err)
	}
}

// Count returns how many points of a measurement the server holds, by reading them.
func (i *Influx) Count(measurement string) int { return len(i.Rows(measurement)) }

// Points returns the same by the server's own count, which is faster.
func (i *Influx) Points(measurement string) int {
	i.T.Helper()
	r, err := http.PostForm(i.URL+"/query", url.Values{"db": {"bayfill"}, "q": {"SELECT count(seq) FROM " + measurement}})
	if err != nil {
		i.T.Fatal(err)
	}
	defer r.Body.Close()
	var answer struct {
		Results []struct {
			Series []struct{ Values [][]any }
		}
	}
	if err := json.NewDecoder(r.Body).Decode(&answer); err != nil {
		i.T.Fatal(err)
	}
	if len(answer.Results) == 0 || len(answer.Results[0].Series) == 0 {
		return 0
	}
	return int(answer.Results[0].Series[0].Values[0][1].(float64))
}
