package influxql

import (
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
)

// whole is the contract of these tests.
func whole(field string) bool { return field == "n" }

// ask asks a server that gives an answer for rows, and returns them as text.
func ask(t *testing.T, status int, answer string, q Query) (rows []string, err error) {
	t.Helper()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet || r.URL.Path != "/query" || r.FormValue("db") != "bayfill" || r.FormValue("rp") != "autogen" ||
			r.FormValue("epoch") != "ns" || r.FormValue("chunked") != "true" || r.Header.Get("Authorization") != "Token secret" {
			t.Errorf("asked %s %s, %s", r.Method, r.URL, r.Header)
		}
		w.WriteHeader(status)
		io.WriteString(w, answer)
	}))
	defer server.Close()
	client := influxdb2.NewClient(server.URL, "secret")
	defer client.Close()
	err = New(client, "bayfill/autogen", whole).Rows(t.Context(), q, func(r *Row) error {
		rows = append(rows, fmt.Sprintf("%s %v %d %#v", r.Measurement, r.Tags, r.AtNs, r.Fields))
		return nil
	})
	return rows, err
}

var oneField = Query{From: "m", Fields: []Field{{Name: "kg", Type: Float}}, UntilNs: math.MaxInt64}

// An answer that is not whole, not readable or no answer is an error, never fewer rows.
func TestAnswersAreWholeOrAnError(t *testing.T) {
	const row = `{"results":[{"statement_id":0,"series":[{"name":"m","tags":{"cart":"a"},"columns":["time","f0"],"values":[[5,1.5]]%s}]%s}]}`
	part := func(series, result string) string { return fmt.Sprintf(row, series, result) + "\n" }
	const more = `,"partial":true`
	for _, c := range []struct {
		name, answer, want string
		status             int
	}{
		{"one part", part("", ""), "", 200},
		{"two parts", part(more, more) + part("", ""), "", 200},
		{"cut after a part that says more follows", part(more, more), "not complete", 200},
		{"cut by max-row-limit", part(more, ""), "not complete", 200},
		{"the next series is lost", part("", more), "not complete", 200},
		{"cut within a part", part("", "")[:60], "unexpected EOF", 200},
		{"two parts of version 3", part("", "") + part("", ""), "", 200},
		{"nothing", "", "not complete", 200},
		{"an error in a result", part(more, more) + `{"results":[{"statement_id":0,"error":"timeout"}]}`, "timeout", 200},
		{"an error beside the results", `{"error":"error parsing query"}`, "error parsing query", 200},
		{"an error with rows", `{"results":[{"series":[{"name":"m","columns":["time","f0"],"values":[[5,1.5]]}],"error":"engine: closed"}]}`, "engine: closed", 200},
		{"two results", `{"results":[{"statement_id":0},{"statement_id":1}]}`, "not readable", 200},
		{"no result", `{"results":[]}`, "not readable", 200},
		{"null", `null`, "not readable", 200},
		{"a series that is null", `{"results":[{"series":[null]}]}`, "not readable", 200},
		{"a row that is too short", `{"results":[{"series":[{"name":"m","columns":["time","f0"],"values":[[5]]}]}]}`, "not readable", 200},
		{"a time as text", `{"results":[{"series":[{"name":"m","columns":["time","f0"],"values":[["2026",1.5]]}]}]}`, "time of m: 2026 is no integer", 200},
		{"a text in the place of a number", `{"results":[{"series":[{"name":"m","columns":["time","f0"],"values":[[5,"x"]]}]}]}`, "field kg of m: x is no float", 200},
		{"a number beyond all floats", `{"results":[{"series":[{"name":"m","columns":["time","f0"],"values":[[5,1e999]]}]}]}`, "out of range", 200},
		{"a page", `<html>`, "is the url that of InfluxDB?", 200},
		{"a page that is an error", `<html>`, "502 Bad Gateway: is the url that of InfluxDB?", 502},
		{"a wrong token", `{"error":"authorization failed"}`, "401 Unauthorized: authorization failed", 401},
		{"no content", "", "204", 204},
	} {
		rows, err := ask(t, c.status, c.answer, oneField)
		if c.want == "" && (err != nil || rows[0] != `m map[cart:a] 5 map[string]interface {}{"kg":1.5}`) || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %q, %v, want %q", c.name, rows, err, c.want)
		}
	}
}

// Answers of versions that are not run here, from their documentation: testdata/documented.
func TestDocumentedAnswers(t *testing.T) {
	columns := map[string]*column{
		"usage": {"usage", Float}, "temperature_integer": {"n", Integer}, "temperature_float": {"kg", Float}, "temperature_str": {"text", String}, "too_hot": {"hot", Boolean},
	}
	const rows3 = "[cpu map[host:a] 2998574931 usage=float64(0.9) cpu map[host:a] 2998574932 usage=float64(0.89) cpu map[host:a] 2998574933 usage=float64(0.85)]"
	for _, c := range []struct {
		file, rows, err string
		status          int
	}{
		{"v2-forbidden", "", "403 Forbidden: insufficient permissions", 403},
		{"v2-fails-on-the-way", "", errStrange.Error(), 200},
		{"grouped", "[cpu map[host:a] 2998574931 usage=float64(33)]", "", 200},
		{"v3-empty", "[]", "", 200},
		{"v3-in-time", rows3, "", 200},
		{"v3-parts", rows3, "", 200},
		{"v3-types", "[weather map[location:us-midwest] 2998574931 hot=bool(true) kg=float64(82) n=int64(82) text=string(too warm)]", "", 200},
	} {
		text, err := os.ReadFile(filepath.Join("testdata", "documented", c.file+".json"))
		if err != nil {
			t.Fatal(err)
		}
		if c.err != "" {
			if rows, err := ask(t, c.status, string(text), oneField); err == nil || err.Error() != c.err {
				t.Errorf("%s: %q, %v, want %q", c.file, rows, err, c.err)
			}
			continue
		}
		// As it is with epoch.
		answer := strings.NewReplacer(`"2025-01-06T15:06:41.787035Z"`, "2998574931", `"2998574930000000000"`, "2998574931").Replace(string(text))
		var got []string
		err = parts(strings.NewReader(answer), func(s *series) error {
			return s.rows(columns, func(r *Row) error {
				row := fmt.Sprintf("%s %v %d", r.Measurement, r.Tags, r.AtNs)
				for _, name := range slices.Sorted(maps.Keys(r.Fields)) {
					row += fmt.Sprintf(" %s=%T(%v)", name, r.Fields[name], r.Fields[name])
				}
				got = append(got, row)
				return nil
			})
		})
		if err != nil || fmt.Sprint(got) != c.rows {
			t.Errorf("%s: %v, %v, want %s", c.file, got, err, c.rows)
		}
	}
}

// A server that refuses to read more than three days at once, as version 3 Core does (its
// sentence: influxdata/influxdb, pull request 25890), is asked for parts of the time: each
// row comes once, in order of time. Its other refusals, and one after the first row, stay.
func TestTimeIsHalvedWhereTheServerReadsTooMuch(t *testing.T) {
	const dayNs = 24 * 3600 * int64(1e9)
	const refused = `{"error":"External error: Query would exceed file limit of 432 parquet files. Please specify a smaller time range for your query."}`
	const row = `{"results":[{"statement_id":0,"series":[{"name":"m","tags":{"cart":"a"},"columns":["time","f0"],"values":[[%d,1.5]]}]}]}`
	first := int64(20000) * dayNs // in 2024
	asked, sayFirst := 0, false
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked++
		var from, until int64
		_, times, _ := strings.Cut(r.FormValue("q"), "WHERE ")
		if _, err := fmt.Sscanf(times, "time >= %d AND time < %d", &from, &until); err != nil {
			t.Errorf("%s: %v", r.FormValue("q"), err)
		}
		days := 0 // that have data
		for day := range int64(90) {
			if at := first + day*dayNs; at >= from && at < until {
				days++
			}
		}
		if days > 3 {
			if sayFirst {
				fmt.Fprintf(w, row+"\n", 1)
			} else {
				w.WriteHeader(http.StatusInternalServerError)
			}
			io.WriteString(w, refused)
			return
		}
		for day := range int64(90) {
			if at := first + day*dayNs; at >= from && at < until {
				fmt.Fprintf(w, row+"\n", at)
			}
		}
		io.WriteString(w, `{"results":[{"statement_id":0}]}`)
	}))
	defer server.Close()
	client := influxdb2.NewClient(server.URL, "")
	defer client.Close()
	reader := New(client, "bayfill", whole)
	for _, span := range [][2]int64{{first, first + 90*dayNs}, {0, math.MaxInt64}, {math.MinInt64, math.MaxInt64}} {
		q, next := oneField, first
		q.FromNs, q.UntilNs, asked = span[0], span[1], 0
		err := reader.Rows(t.Context(), q, func(r *Row) error {
			if r.AtNs != next {
				return fmt.Errorf("%d at the place of %d", r.AtNs, next)
			}
			next += dayNs
			return nil
		})
		if err != nil || next != first+90*dayNs || asked > 150 {
			t.Errorf("%v: until day %d, %d queries, %v", span, (next-first)/dayNs, asked, err)
		}
	}
	sayFirst, asked = true, 0
	if err := reader.Rows(t.Context(), oneField, func(*Row) error { return nil }); !readsTooMuch(err) || asked != 1 {
		t.Errorf("refused after a row: %v, %d queries", err, asked)
	}
	server.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		asked++
		w.WriteHeader(http.StatusInternalServerError)
		io.WriteString(w, refused)
	})
	asked = 0
	if err := reader.Rows(t.Context(), oneField, nil); !readsTooMuch(err) || asked > 40 {
		t.Errorf("refused for twenty minutes too: %v, %d queries", err, asked)
	}
}

// A field with both types of number keeps the value that was written: only where both types
// hold it, the contract decides.
func TestFittingNumbers(t *testing.T) {
	schema := Schema{}
	for _, name := range []string{"n", "kg"} {
		schema.add("m", Field{Name: name, Type: Float}, whole)
		schema.add("m", Field{Name: name, Type: Integer}, whole)
	}
	schema.add("m", Field{Name: "kg", Type: String}, whole)
	if want := (Schema{"m": {{"n", Integer, Float}, {"kg", Float, Integer}, {"kg", String, ""}}}); fmt.Sprint(schema) != fmt.Sprint(want) {
		t.Fatalf("%v, want %v", schema, want)
	}
	for _, c := range []struct {
		float float64 // as the server converts it to both
		int   int64
		n, kg any // of a field of whole numbers, of any other
	}{
		{5, 5, int64(5), 5.0},
		{5.5, 5, 5.5, 5.5},
		{9007199254740992, 9007199254740993, int64(9007199254740993), int64(9007199254740993)},
		{1e300, math.MinInt64, 1e300, 1e300},
	} {
		if n, kg := fitting(c.float, c.int), fitting(c.int, c.float); n != c.n || kg != c.kg {
			t.Errorf("%+v: %v and %v", c, n, kg)
		}
	}
	if got := fitting("x", 5.0); got != 5.0 {
		t.Errorf("a text and a number: %v", got)
	}
}

// Any answer gives rows or an error with a text.
func FuzzParts(f *testing.F) {
	files, _ := filepath.Glob("testdata/documented/*.json")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	f.Add(`{"results":[{"series":[{"name":"m","tags":{"cart":"a"},"columns":["time","f0","f1","shop"],"values":[[5,1.5,1,"s"]],"partial":true}],"partial":true}]}`)
	byName := map[string]*column{"f0": {"kg", Float}, "f1": {"kg", Integer}, "f2": {"job", String}, "usage": {"usage", Float}}
	f.Fuzz(func(t *testing.T, answer string) {
		err := parts(strings.NewReader(answer), func(s *series) error {
			return s.rows(byName, func(*Row) error { return nil })
		})
		if err != nil && err.Error() == "" {
			t.Fatal("an error without a text")
		}
	})
}
