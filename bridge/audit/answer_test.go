package audit

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"bayfill/bridge/config"
	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// answers is a server that answers with texts: the fields, the closing records, and the other
// points, of which each line belongs to the measurement that it names. Without such a line
// all are the answer.
type answers struct{ fields, summaries, points string }

func (a answers) RoundTrip(r *http.Request) (*http.Response, error) {
	answer := &http.Response{StatusCode: http.StatusOK, Request: r, Header: http.Header{"Content-Type": {"application/json"}}}
	say := func(text string) (*http.Response, error) {
		answer.Body = io.NopCloser(strings.NewReader(text))
		return answer, nil
	}
	question := r.URL.Query().Get("q")
	_, from, _ := strings.Cut(question, ` FROM "`)
	from, _, _ = strings.Cut(from, `"`)
	switch {
	case !strings.HasSuffix(r.URL.Path, "/query"):
		answer.StatusCode = http.StatusNoContent
		return say("")
	case from == "":
		return say(a.fields)
	case from == points.JobMeasurement:
		return say(a.summaries)
	}
	var its []string
	for line := range strings.Lines(a.points) {
		if strings.Contains(line, `"name":"`+from+`"`) {
			its = append(its, line)
		}
	}
	if its == nil {
		return say(a.points)
	}
	return say(strings.Join(its, ""))
}

func (a answers) store() *Store {
	options := influxdb2.DefaultOptions().SetHTTPClient(&http.Client{Transport: a}).SetLogLevel(0)
	return newStore(influxdb2.NewClientWithOptions("http://127.0.0.1", "", options), config.History{Bucket: "bayfill"})
}

// fieldsOf is the server's list of the fields of points.
func fieldsOf(list []points.Point) string {
	kinds := map[string]map[string]string{}
	for _, p := range list {
		if kinds[p.Measurement] == nil {
			kinds[p.Measurement] = map[string]string{}
		}
		for field, v := range p.Fields {
			kinds[p.Measurement][field] = map[string]string{"float64": "float", "int64": "integer", "string": "string"}[fmt.Sprintf("%T", v)]
		}
	}
	var all []map[string]any
	for _, measurement := range slices.Sorted(maps.Keys(kinds)) {
		var rows [][2]string
		for _, field := range slices.Sorted(maps.Keys(kinds[measurement])) {
			rows = append(rows, [2]string{field, kinds[measurement][field]})
		}
		all = append(all, map[string]any{"name": measurement, "columns": []string{"fieldKey", "fieldType"}, "values": rows})
	}
	return asJSON(map[string]any{"results": []any{map[string]any{"statement_id": 0, "series": all}}})
}

// answered formats points as the server does, a line for each measurement and sensor: its
// last line of a measurement does not say that more follows.
func answered(list []points.Point) string {
	var lines strings.Builder
	byMeasurement := map[string][]points.Point{}
	for _, p := range list {
		byMeasurement[p.Measurement] = append(byMeasurement[p.Measurement], p)
	}
	for _, measurement := range slices.Sorted(maps.Keys(byMeasurement)) {
		fields, bySensor := map[string]bool{}, map[string][]points.Point{}
		for _, p := range byMeasurement[measurement] {
			bySensor[p.Sensor] = append(bySensor[p.Sensor], p)
			for field := range p.Fields {
				fields[field] = true
			}
		}
		names := slices.Sorted(maps.Keys(fields))
		columns := []string{"time"}
		for i := range names {
			columns = append(columns, fmt.Sprint("f", i))
		}
		sensors := slices.Sorted(maps.Keys(bySensor))
		for i, sensor := range sensors {
			var rows [][]any
			for _, p := range bySensor[sensor] {
				row := []any{p.AtNs}
				for _, name := range names {
					row = append(row, p.Fields[name])
				}
				rows = append(rows, row)
			}
			one := map[string]any{"name": measurement, "tags": map[string]string{"shop": "hilltop", "cart": "bay2", "sensor": sensor}, "columns": columns, "values": rows}
			result := map[string]any{"statement_id": 0, "series": []any{one}}
			if i < len(sensors)-1 {
				result["partial"] = true
			}
			lines.WriteString(asJSON(map[string]any{"results": []any{result}}) + "\n")
		}
	}
	return lines.String()
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
	fields := fieldsOf(append([]points.Point{*rec.Summary}, rec.Points...))
	summaries, points := answered([]points.Point{*rec.Summary}), answered(rec.Points)
	f.Add(fields, summaries, points)
	f.Add(fields, "", points)
	f.Add(fields, summaries, "")
	f.Add(fields, points, summaries)
	f.Add("", summaries, points)
	f.Add(summaries, fields, points)
	opened, ended := fmt.Sprint(rec.Points[0].AtNs), fmt.Sprint(rec.Summary.AtNs)
	for _, at := range []string{"0", "-1", "-9223372036854775808", "8093142008000000000", "9223372036854775807", "1e3"} {
		f.Add(fields, strings.ReplaceAll(summaries, ended, at), strings.ReplaceAll(points, ended, at))
		f.Add(fields, summaries, strings.ReplaceAll(points, opened, at))
	}
	f.Add(fields, summaries, strings.ReplaceAll(points, `\"do\":\"open\"`, `\"do\":\"tick\"`))
	f.Add(strings.ReplaceAll(fields, `"integer"`, `"unsigned"`), summaries, points)
	f.Add(strings.ReplaceAll(fields, `"float"`, `"integer"`), summaries, points)
	f.Add(fields, `{"error":"error parsing query"}`, `{"results":[{"statement_id":0,"error":"retention policy not found: none"}]}`)
	if report := Check(mustRecord(f, answers{fields, summaries, points}), testTrust); !report.SameAndComplete() || report.Events < 20 {
		f.Fatalf("the seed is not a valid record: %v", report.Findings)
	}
	f.Fuzz(func(t *testing.T, fields, summaries, points string) {
		s := answers{fields, summaries, points}.store()
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
		if maxBytes := 200_000 + 60*(len(fields)+len(summaries)+len(points)); page.Len() > maxBytes {
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
