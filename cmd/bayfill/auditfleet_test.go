package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/points"
)

// historyOf answers every query like an InfluxDB that holds closing records of
// fourteen jobs on one cart, with the fluid's name as given. bridge/audit tests what
// the queries mean, on a real one.
func historyOf(t *testing.T, fluid string) (url string, queries *[]string) {
	t.Helper()
	queries = new([]string)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		q := r.FormValue("q")
		type series map[string]any
		var answer series
		switch {
		case q == "SHOW FIELD KEYS":
			var rows [][2]string
			for _, field := range []string{"added_l", "drained_l", "target_l", "typical_l"} {
				rows = append(rows, [2]string{field, "float"})
			}
			for _, field := range []string{"fluid", "job", "level", "level_window", "phase"} {
				rows = append(rows, [2]string{field, "string"})
			}
			answer = series{"name": points.JobMeasurement, "columns": []string{"fieldKey", "fieldType"}, "values": rows}
		case strings.HasPrefix(q, "SELECT count("):
			*queries = append(*queries, q)
			answer = series{"name": points.JobMeasurement, "tags": map[string]string{"shop": "hilltop", "cart": "bay1"}, "columns": []string{"time", "f0"}, "values": [][]int{{0, 14}}}
		default:
			*queries = append(*queries, q)
			var rows [][]any
			for i := range 14 {
				ml, phase, level, window := float64(i%2), "closed", any("right"), "open"
				switch {
				case i >= 12:
					phase = "abandoned"
				case i >= 10:
					ml = 50
				case i == 0:
					window = "above"
				case i < 3:
					level = nil
				}
				at := time.Date(2026, 3, i+1, 10, 0, 0, 0, time.UTC).UnixNano()
				rows = append(rows, []any{at, 4 + ml/1000, 4.04, 4, 4, fluid, fmt.Sprint("van-", i), level, window, phase, "hilltop", "bay1"})
			}
			answer = series{"name": points.JobMeasurement, "columns": []string{"time", "f0", "f1", "f2", "f3", "f4", "f5", "f6", "f7", "f8", "shop", "cart"}, "values": rows}
		}
		json.NewEncoder(w).Encode(map[string]any{"results": []any{map[string]any{"statement_id": 0, "series": []series{answer}}}})
	}))
	t.Cleanup(server.Close)
	return server.URL, queries
}

func TestAuditFleet(t *testing.T) {
	url, queries := historyOf(t, "<b>\x1b[2Jamber\"</b>")
	page, table := filepath.Join(t.TempDir(), "fleet.html"), filepath.Join(t.TempDir(), "fleet.csv")
	status, out, errors := program(t.Context(), "audit", "fleet", "--influx-url", url, "--since", "2026-03-01", "--until", "2026-04-01T12:00:00+02:00",
		"--shop", "hilltop", "--html", page, "--csv", table)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errors)
	}
	for _, want := range []string{"hilltop/bay1", "14     12      2    +8.8", "      1          2\n", "balance up since 2026-03-1", "job van-11", "1 beyond 3 sigma", "<b>·[2Jamber"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing", want)
		}
	}
	status, spanish, errors := program(t.Context(), "audit", "fleet", "--influx-url", url, "--since", "2026-03-01", "--until", "2026-04-01T12:00:00+02:00", "--shop", "hilltop", "--lang", "es")
	if status != 0 || !strings.Contains(spanish, "1 más allá de 3 sigma") {
		t.Errorf("status %d: %s%s", status, spanish, errors)
	}
	bridgetest.Spanish(t, spanish)
	for line := range strings.Lines(out + spanish) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > auditWidth {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if strings.ContainsRune(out, 0x1b) {
		t.Error("a fluid's name moves the cursor")
	}
	if t.Failed() {
		t.Log(out)
	}
	for _, q := range *queries {
		if !strings.Contains(q, `FROM "bayfill_job" WHERE time >= 1772323200000000000 AND time < 1775037600000000000 AND "shop"::tag = 'hilltop'`) {
			t.Errorf("query %s", q)
		}
	}
	if text, err := os.ReadFile(page); err != nil || !strings.Contains(string(text), "&lt;b&gt;") || strings.Contains(string(text), "<b>") {
		t.Errorf("page: %v, %d bytes", err, len(text))
	}
	text, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	if rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll(); err != nil || len(rows) != 15 { // with the abandoned jobs
		t.Errorf("%v, %d rows", err, len(rows))
	}

	status, out, errors = program(t.Context(), "audit", "fleet", "--influx-url", url, "--json")
	var fleet map[string]any
	decoder := json.NewDecoder(strings.NewReader(out))
	if err := decoder.Decode(&fleet); status != 0 || err != nil || len(fleet["carts"].([]any)) != 1 {
		t.Errorf("status %d: %v: %s%s", status, err, out, errors)
	}
	if _, err := decoder.Token(); err != io.EOF {
		t.Errorf("more than one object: %s", out)
	}
}

func TestAuditFleetRefuses(t *testing.T) {
	config := filepath.Join(t.TempDir(), "none.yaml")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--influx-url", "http://127.0.0.1:1", "--since", "soon"}, `--since: "soon"`},
		{[]string{"--influx-url", "http://127.0.0.1:1", "--until", "2026-13-01"}, `--until: "2026-13-01"`},
		{[]string{"--influx-url", "http://127.0.0.1:1", "--since", "2026-02-01", "--until", "2026-01-01"}, "not before --until"},
		{[]string{"--influx-url", "http://127.0.0.1:1", "--influx-token-env", "BAYFILL_NO_SUCH"}, "BAYFILL_NO_SUCH"},
		{[]string{"--influx-url", "http://127.0.0.1:1"}, "127.0.0.1:1"},
		{[]string{"--config", config}, "none.yaml"},
		{[]string{"--config", config, "--influx-url", "http://127.0.0.1:1"}, "influx-url"},
	} {
		if status, out, errors := program(t.Context(), append([]string{"audit", "fleet"}, c.args...)...); status != exitNotAudited || !strings.Contains(errors, c.want) {
			t.Errorf("%v: status %d: %s%s", c.args, status, out, errors)
		}
	}
}

func TestMoments(t *testing.T) {
	now := time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC)
	for text, want := range map[string]string{
		"90d": "2025-12-31T12:00:00Z", "0d": "2026-03-31T12:00:00Z", "2026-01-01": "2026-01-01T00:00:00Z", "2026-01-01T10:00:00+01:00": "2026-01-01T09:00:00Z",
		"": "", "d": "", "-3d": "", "1969-12-31": "", "2300-01-01": "", "999999d": "", "01.02.2026": "",
	} {
		ns, err := momentNs(text, now)
		if got := time.Unix(0, ns).UTC().Format(time.RFC3339); (err != nil) != (want == "") || err == nil && got != want {
			t.Errorf("%q: %s, %v; want %q", text, got, err, want)
		}
	}
}
