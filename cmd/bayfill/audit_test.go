package main

import (
	"database/sql"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/fillcalc"
)

// auditDemo audits the job in a demo's folder, as it is and spoiled. Nobody has calibrated the
// demo's instruments, so it is not verified.
func auditDemo(t *testing.T, dir, job string) {
	t.Helper()
	journal := filepath.Join(dir, "data", demoCart+".journal")
	sheet, numbers, table := filepath.Join(dir, "sheet.html"), filepath.Join(dir, "sheet.json"), filepath.Join(dir, "course.csv")
	status, out, errors := program(t.Context(), "audit", "job", job, "--journal", journal, "--sheet", sheet, "--csv", table)
	if status != 0 || !strings.Contains(out, "Job "+job+" on cart "+demoShop+"/"+demoCart+": same and complete") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	for line := range strings.Lines(out) {
		if n := len([]rune(line)); n > auditWidth+1 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if status, _, errors = program(t.Context(), "audit", "job", job, "--journal", journal, "--sheet", numbers); status != 0 {
		t.Errorf("status %d: %s", status, errors)
	}
	for path, holds := range map[string]string{sheet: "<title>" + job, numbers: `"job":"` + job + `"`, table: "drained_l"} {
		text, err := os.ReadFile(path)
		if err != nil || !strings.Contains(string(text), holds) {
			t.Errorf("%s does not hold %s: %v", filepath.Base(path), holds, err)
		}
	}

	var sheetData struct{ Events int }
	if text, err := os.ReadFile(numbers); err != nil || json.Unmarshal(text, &sheetData) != nil || sheetData.Events < 1000 {
		t.Fatalf("%d events, %v", sheetData.Events, err)
	}

	// One reading in the middle of the job changed by a gram. The demo goes on
	// measuring while it audits, so the journal's own middle may lie behind the job.
	spoiled := filepath.Join(dir, "spoiled.journal")
	text, err := os.ReadFile(journal)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(spoiled, text, 0o600); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+spoiled)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("UPDATE event SET value = value + 0.001 WHERE seq = (SELECT max(seq) FROM event WHERE kind = 1 AND seq < (SELECT min(seq) FROM event) + ?)", sheetData.Events/2); err != nil {
		t.Fatal(err)
	}
	db.Close()
	var verdict struct {
		Same, Complete bool
		Findings       []struct{ Kind, Text string }
	}
	status, out, _ = program(t.Context(), "audit", "job", job, "--journal", spoiled, "--json")
	if err := json.Unmarshal([]byte(out), &verdict); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	if status != exitAltered || verdict.Complete || len(verdict.Findings) == 0 || verdict.Findings[0].Kind != "altered" {
		t.Errorf("status %d: %s", status, out)
	}

	for _, args := range [][]string{
		{"audit", "job", "nobody", "--journal", journal},
		{"audit", "job", job, "--journal", filepath.Join(dir, "none.journal")},
		{"audit", "job", job, "--influx-url", "http://127.0.0.1:1"},
		{"audit", "job", job, "--journal", journal, "--opened", "yesterday"},
	} {
		if status, _, errors := program(t.Context(), args...); status != exitNotAudited || errors == "" {
			t.Errorf("%v: status %d: %s", args, status, errors)
		}
	}
}

// What is missing or does not fit is said before anything is asked or written.
func TestHistoryRefuses(t *testing.T) {
	for _, c := range []struct{ args, says string }{
		{"export --influx-url http://127.0.0.1:1", "either --job or --since"},
		{"export --job a --since 1d --influx-url http://127.0.0.1:1", "either --job or --since"},
		{"export --job a --format xml --influx-url http://127.0.0.1:1", `--format: "xml" is not one of line, csv`},
		{"export --since soon --influx-url http://127.0.0.1:1", `--since: "soon" is neither`},
		{"export --since 1d", "bayfill.yaml"},
		{"export --since 1d --influx-url http://me:x@127.0.0.1:1", "--influx-url: no user or password in the address"},
		{"fill --influx-url http://127.0.0.1:1", "either --config or --journal"},
		{"fill --influx-url http://127.0.0.1:1 --journal a.journal", "--shop: a journal does not hold"},
		{"fill --influx-url http://127.0.0.1:1 --journal a.journal --shop s", "no such file"},
		{"keep --influx-url http://127.0.0.1:1", "to-bucket"},
		{"keep --influx-url http://127.0.0.1:1 --to-bucket bayfill", "is the bucket that the jobs are in"},
		{"erase", "either --technician or --vehicle"},
	} {
		status, _, errors := program(t.Context(), append([]string{"history"}, strings.Fields(c.args)...)...)
		if status == 0 || !strings.Contains(errors, c.says) {
			t.Errorf("%s: status %d: %s, want %s", c.args, status, errors, c.says)
		}
	}
}

// The exit status of "audit job" follows the verdict that people act on, and a record that was
// altered comes first.
func TestAuditStatus(t *testing.T) {
	verdict := func(record, job fillcalc.Outcome) audit.Verdict {
		return audit.Verdict{Outcome: job, Criteria: []audit.Criterion{{Name: "record", Outcome: record}}}
	}
	for _, c := range []struct {
		record, job fillcalc.Outcome
		want        int
	}{
		{fillcalc.Passed, fillcalc.Passed, 0},
		{fillcalc.Failed, fillcalc.Failed, exitAltered},
		{fillcalc.Passed, fillcalc.Failed, exitFailed},
		{fillcalc.NotVerified, fillcalc.Failed, exitFailed},
		{fillcalc.Passed, fillcalc.NotVerified, exitNotVerified},
		{fillcalc.NotVerified, fillcalc.NotVerified, exitNotVerified},
	} {
		status := 0
		if err := notPassedBy(&audit.Report{Job: "van-7"}, verdict(c.record, c.job)); err != nil {
			status = err.(notPassed).status
		}
		if status != c.want {
			t.Errorf("record %s, job %s: status %d, want %d", c.record, c.job, status, c.want)
		}
	}
}

// Whatever hinders an audit, it is not an opinion about the job: status 2, and nothing but the
// reason, with --json too.
func TestAuditHindered(t *testing.T) {
	none, broken := filepath.Join(t.TempDir(), "none.yaml"), filepath.Join(t.TempDir(), "broken.yaml")
	if err := os.WriteFile(broken, []byte("shop: [\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range []string{
		"audit job", "audit job van-7", "audit job van-7 --json", "audit job van-7 --json --config " + none, "audit job van-7 --config " + broken,
		"audit job van-7 --json --tolerance-l much", "audit job van-7 --nothing", "audit job van-7 --lang xx", "audit job van-7 --influx-url http://me:x@127.0.0.1:1",
		"audit fleet --json", "audit fleet --config " + broken, "audit fleet --since soon", "audit fleet van-7", "audit jbo",
	} {
		if status, out, errors := program(t.Context(), strings.Fields(args)...); status != exitNotAudited || out != "" || errors == "" {
			t.Errorf("%s: status %d: %s%s", args, status, out, errors)
		}
	}
}
