package audit

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// answers is a server that answers a query for closing records with summaries and
// every other query with points. There are no stray fields.
type answers struct{ summaries, points string }

func (a answers) RoundTrip(r *http.Request) (*http.Response, error) {
	question, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	answer := &http.Response{StatusCode: http.StatusOK, Request: r, Header: http.Header{"Content-Type": {"text/csv"}}, Body: io.NopCloser(strings.NewReader(a.points))}
	switch {
	case !strings.HasSuffix(r.URL.Path, "/query"):
		answer.StatusCode, answer.Body = http.StatusNoContent, http.NoBody
	case strings.Contains(string(question), "r._field =~ "):
		answer.Body = http.NoBody
	case strings.Contains(string(question), `"bayfill_job\"`) && !strings.Contains(string(question), "bayfill_input"):
		answer.Body = io.NopCloser(strings.NewReader(a.summaries))
	}
	return answer, nil
}

func (a answers) store() *Store {
	client := influxdb2.NewClientWithOptions("http://127.0.0.1", "", influxdb2.DefaultOptions().SetHTTPClient(&http.Client{Transport: a}).SetLogLevel(0))
	return &Store{client, client.QueryAPI(""), client.WriteAPIBlocking("", "bayfill"), "bayfill"}
}

// answered formats points as the server does: one table for each measurement and
// sensor.
func answered(list []points.Point) string {
	var tables []string
	byTable := map[string][]points.Point{}
	for _, p := range list {
		name := p.Measurement + " " + p.Sensor
		if byTable[name] == nil {
			tables = append(tables, name)
		}
		byTable[name] = append(byTable[name], p)
	}
	var b strings.Builder
	for n, name := range tables {
		kinds := map[string]string{}
		for _, p := range byTable[name] {
			for field, v := range p.Fields {
				kinds[field] = map[string]string{"float64": "double", "int64": "long", "string": "string"}[fmt.Sprintf("%T", v)]
			}
		}
		fields := slices.Sorted(maps.Keys(kinds))
		head := [4][]string{{"#datatype", "string", "long", "dateTime:RFC3339", "string", "string", "string"},
			{"#group", "false", "false", "false", "true", "true", "true"}, {"#default", "_result", "", "", "", "", ""}, {"", "result", "table", "_time", "_measurement", "shop", "cart"}}
		sensor := byTable[name][0].Sensor
		if sensor != "" {
			for i, cell := range []string{"string", "true", "", "sensor"} {
				head[i] = append(head[i], cell)
			}
		}
		for _, field := range fields {
			for i, cell := range []string{kinds[field], "false", "", field} {
				head[i] = append(head[i], cell)
			}
		}
		w := csv.NewWriter(&b)
		w.UseCRLF = true
		w.WriteAll(head[:])
		for _, p := range byTable[name] {
			row := []string{"", "", fmt.Sprint(n), time.Unix(0, p.AtNs).UTC().Format(time.RFC3339Nano), p.Measurement, "hilltop", "bay2"}
			if sensor != "" {
				row = append(row, sensor)
			}
			for _, field := range fields {
				cell := ""
				if v, there := p.Fields[field]; there {
					cell = fmt.Sprint(v)
				}
				row = append(row, cell)
			}
			w.Write(row)
		}
		w.Flush()
		b.WriteString("\r\n")
	}
	return b.String()
}

// Any answer of a history gives an error with a text, or a record from which report,
// verdict, sheet, course and export come out whole, in bounded time and size. Nothing
// panics.
func FuzzAnswer(f *testing.F) {
	short := open(f, calibrated(), vanJob())
	short.phase(fillcalc.Draining)
	short.run(2, 0.06, 0, 0)
	short.do(fillcalc.Input{Do: fillcalc.DoRecord, Record: &levelRight, Why: "a test"})
	short.do(fillcalc.Input{Do: fillcalc.DoAbandon, Why: "a \"test\"\nof two lines"})
	rec := short.keep()
	summaries, points := answered([]points.Point{*rec.Summary}), answered(rec.Points)
	f.Add(summaries, points)
	f.Add("", points)
	f.Add(summaries, "")
	f.Add(points, summaries)
	f.Add(summaries, strings.Replace(points, "2026-", "1026-", 20))
	f.Add(summaries, strings.ReplaceAll(strings.ReplaceAll(points, "2026-11", "2262-11"), `"do"":""open""`, `"do"":""tick""`))
	for _, year := range []string{"2226", "2262-04-11T23:47:1", "9999", "0001"} { // the time of the end
		late := strings.NewReplacer("2026-11-03T09:00:08", year+"2026-11-03T09:00:08"[len(year):])
		f.Add(late.Replace(summaries), late.Replace(points))
	}
	f.Add(strings.Replace(summaries, "long", "unsignedLong", 2), strings.Replace(points, "double", "boolean", 1))
	f.Add(",error,reference\r\n,fillcalc.Failed to parse query,897\r\n", "#datatype,string\r\n,error\r\n,compilation failed\r\n")
	if report := Check(mustRecord(f, answers{summaries, points}), testTrust); !report.SameAndComplete() || report.Events < 20 {
		f.Fatalf("the seed is not a valid record: %v", report.Findings)
	}
	f.Fuzz(func(t *testing.T, summaries, points string) {
		s := answers{summaries, points}.store()
		defer s.Close()
		if _, err := s.Erase(t.Context(), "t-0123456789abcdef"); err != nil && err.Error() == "" {
			t.Fatal("an error without a text")
		}
		if fleet, err := s.Fleet(t.Context(), FleetQuery{UntilNs: math.MaxInt64}); err == nil {
			if err := fleet.WriteHTML(io.Discard, words.Plain); err != nil {
				t.Fatalf("charts: %v", err)
			}
			if _, err := json.Marshal(fleet); err != nil {
				t.Fatalf("charts: %v", err)
			}
		}
		rec, err := s.Record(t.Context(), "van-7", 0)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without a text")
			}
			return
		}
		for _, format := range []Format{LineProtocol, CSV} {
			if err := rec.Write(io.Discard, format); err != nil {
				t.Fatalf("export: %v", err)
			}
		}
		report := Check(rec, testTrust)
		if report.SameAndComplete() != (len(report.Findings) == 0) {
			t.Fatalf("same %v, complete %v, but %v", report.Same, report.Complete, report.Findings)
		}
		data := NewSheetData(rec, report, fillcalc.DefaultToleranceL, words.Plain)
		if _, err := json.Marshal(data); err != nil {
			t.Fatalf("sheet as JSON: %v", err)
		}
		var page strings.Builder
		if err := WriteSheet(&page, rec, report, fillcalc.DefaultToleranceL, words.Plain, playedAt); err != nil {
			t.Fatalf("sheet: %v", err)
		}
		if err := WriteCSV(io.Discard, report); err != nil {
			t.Fatalf("course: %v", err)
		}
		if maxBytes := 200_000 + 60*(len(summaries)+len(points)); page.Len() > maxBytes {
			t.Fatalf("the sheet has %d bytes, more than %d", page.Len(), maxBytes)
		}
	})
}

func mustRecord(t testing.TB, a answers) *Record {
	t.Helper()
	s := a.store()
	defer s.Close()
	rec, err := s.Record(t.Context(), "van-7", 0)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}
