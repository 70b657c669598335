package main

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/recordkey"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

// shopFile writes a configuration of a shop without a history, whose first cart has done
// three jobs of the study (the last of them end a little in the future), and returns its path.
func shopFile(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "bayfill.yaml")
	text := `shop: hilltop
data: ` + dir + `
units: us
fluids: [{name: fresh, density_kg_m3: 846}]
stock:
  fluids: [{fluid: fresh, counted: 32 L, date: 2026-01-01, low: 20 qt}]
  waste: {holds: 100 L, emptied: 2026-01-01}
carts:
  - {name: bay2, sensors: [{name: caddy, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}, {name: supply, role: supply, port: b, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}]}
  - {name: bay3, sensors: [{name: caddy, role: caddy, port: c, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}]}
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	d, err := study.ParseDistribution([]byte("scale: {rate_hz: [3]}"))
	if err != nil {
		t.Fatal(err)
	}
	var jobs [][]fillcalc.Event
	for k := range 3 {
		jobs = append(jobs, study.Events(d, 7, k+1))
	}
	journaltest.KeepJobs(t, c, []string{"van-7", "van-8", "van-7"}, jobs...)
	return file
}

// The account comes from the closing records in the carts' journals, in the reader's units
// and language; the stock is what the configuration says, less what jobs have used.
func TestStock(t *testing.T) {
	file := shopFile(t)
	status, out, errors := program(t.Context(), "stock", "--config", file, "--until", "2100-01-01", "--json")
	var report stockReport
	if err := json.Unmarshal([]byte(out), &report); status != 0 || err != nil {
		t.Fatalf("status %d: %v: %s%s", status, err, out, errors)
	}
	used, jobs := 0.0, 0
	for _, u := range report.Used {
		if u.Shop != "hilltop" || u.Cart != "bay2" || u.WasteL < 1 {
			t.Errorf("%+v", u)
		}
		used, jobs = used+u.FreshL, jobs+u.Jobs
	}
	f, w := report.Stock.Fluids[0], report.Stock.Waste
	if jobs != 3 || !(used > 5) || f.HadL != 32 || w.HoldsL != 100 || w.FullL != 90 || !(w.CollectedL > 5) {
		t.Errorf("%d jobs used %v L; %+v, %+v", jobs, used, f, w)
	}

}

// The table fits a terminal, in each language and units, from the journals of all carts or
// from one; so does the list of the jobs.
func TestStockPrints(t *testing.T) {
	file := shopFile(t)
	status, out, errors := program(t.Context(), "stock", "--config", file, "--until", "2100-01-01", "--by", "day")
	if status != 0 || !strings.Contains(out, time.Now().Format("2006-01")) || !strings.Contains(out, "hilltop/bay2") || !strings.Contains(out, " qt") || strings.Contains(out, " L\n") {
		t.Errorf("status %d: %s%s", status, out, errors)
	}
	for line := range strings.Lines(out) {
		if n := len([]rune(line)); n > auditWidth+1 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	status, out, _ = program(t.Context(), "stock", "--config", file, "--lang", "es", "--units", "metric", "--cart", "bay3")
	if status != 0 || !strings.Contains(out, "Ningún trabajo terminó entonces.") || !strings.Contains(out, "Recipiente de aceite usado: debería contener") || !strings.Contains(out, "100.0 L") {
		t.Errorf("status %d: %s", status, out)
	}
	var early strings.Builder
	o := stockOptions{since: "365d", until: "0d", by: "month"}
	o.journal = filepath.Join(filepath.Dir(file), "bay2.journal")
	if err := o.run(t.Context(), &early, time.Now().AddDate(-1, 0, 0)); err != nil || !strings.Contains(early.String(), "3 jobs end later than now") {
		t.Errorf("jobs of a clock that is ahead: %v: %s", err, early.String())
	}
	status, out, _ = program(t.Context(), "stock", "--until", "2100-01-01", "--journal", filepath.Join(filepath.Dir(file), "bay2.journal"))
	if status != 0 || !strings.Contains(out, " L\n") || strings.Contains(out, "should be left") {
		t.Errorf("of a journal alone: status %d: %s", status, out)
	}
	auditJobs(t, file)
}

// auditJobs holds that the jobs of all carts are listed from their journals, the newest first,
// as many as wanted.
func auditJobs(t *testing.T, file string) {
	t.Helper()
	list := func(args ...string) string {
		t.Helper()
		status, out, errors := program(t.Context(), append([]string{"audit", "jobs"}, args...)...)
		if status != 0 {
			t.Errorf("%s: status %d: %s", args, status, errors)
		}
		for line := range strings.Lines(out) {
			if n := len([]rune(line)); n > auditWidth+1 && line[0] != '{' {
				t.Errorf("%d columns: %s", n, line)
			}
		}
		return out
	}
	out := list("--config", file)
	if lines := strings.Split(out, "\n"); !strings.HasPrefix(lines[0], "job ") || !strings.HasPrefix(lines[1], "van-7  hilltop/bay2") || !strings.HasPrefix(lines[2], "van-8 ") || !strings.HasPrefix(lines[3], "van-7 ") {
		t.Error(out)
	}
	if out := list("--config", file, "--last", "1"); strings.Count(out, "hilltop") != 1 || !strings.Contains(out, "2 older jobs are not shown: --last 0 lists all.") {
		t.Error(out)
	}
	if out := list("--journal", filepath.Join(filepath.Dir(file), "bay2.journal"), "--lang", "es", "--last", "2"); strings.Count(out, "  bay2 ") != 2 || !strings.Contains(out, "No se muestra 1 trabajo más viejo") {
		t.Error(out)
	}
	if out := list("--config", file, "--cart", "bay3"); out != "There is no job yet.\n" {
		t.Error(out)
	}
	var answer struct {
		Jobs []listedJob
		More int
	}
	if err := json.Unmarshal([]byte(list("--config", file, "--last", "2", "--json")), &answer); err != nil || len(answer.Jobs) != 2 || answer.More != 1 || answer.Jobs[0].Ended.Before(answer.Jobs[0].Opened) {
		t.Errorf("%v: %+v", err, answer)
	}
	if status, _, errors := program(t.Context(), "audit", "jobs", "--config", file, "--last", "-1"); status != exitNotAudited || !strings.Contains(errors, "--last: -1") {
		t.Errorf("status %d: %s", status, errors)
	}
	// A shell completes them, each once.
	t.Setenv("BAYFILL_CONFIG", file)
	for _, line := range []string{"audit job ", "ticket ", "budget "} {
		if status, out, errors := program(t.Context(), append([]string{"__complete"}, strings.Split(line, " ")...)...); status != 0 || !strings.HasPrefix(out, "van-7\nvan-8\n:") {
			t.Errorf("%s: status %d: %s%s", line, status, out, errors)
		}
	}
	deleteClosing(t, filepath.Join(filepath.Dir(file), "bay2.journal"), "van-8")
	if out := list("--journal", filepath.Join(filepath.Dir(file), "bay2.journal"), "--lang", "es"); strings.Count(out, "  falta\n") != 1 {
		t.Error(out)
	}
	if out := list("--config", file); strings.Count(out, "  no record\n") != 1 || !strings.Contains(out, "its closing record") || strings.Count(out, "closed\n") != 2 {
		t.Error(out)
	}
	if status, out, _ := program(t.Context(), "stock", "--config", file); status != 0 || !strings.Contains(out, "1 job is not in these sums") {
		t.Errorf("status %d: %s", status, out)
	}
}

// deleteClosing takes the closing record of a job out of a journal.
func deleteClosing(t *testing.T, path, job string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec("DELETE FROM published WHERE measurement = 'bayfill_job' AND fields LIKE ?", "%\""+job+"\"%"); err != nil {
		t.Fatal(err)
	}
}

func TestStockRefuses(t *testing.T) {
	file := shopFile(t)
	for args, says := range map[string]string{
		"--by week": `--by: "week" is not one of day, month`, "--since soon": "--since: ", "--lang xx": "--lang: ", "--units xx": "--units: ",
	} {
		if status, _, errors := program(t.Context(), append([]string{"stock", "--config", file}, strings.Fields(args)...)...); status == 0 || !strings.Contains(errors, says) {
			t.Errorf("%s: status %d: %s", args, status, errors)
		}
	}
}

// Each limit that is reached is a line of its own.
func TestStockTexts(t *testing.T) {
	r := stockReport{Later: 2, Stock: closing.Stock{
		Fluids: []closing.FluidStock{{Fluid: "fresh", HadL: 20, UsedL: 12, LeftL: 8, LowL: 10}},
		Waste:  &closing.WasteStock{HoldsL: 100, CollectedL: 95, FullL: 90},
	}}
	var keys []string
	for _, text := range r.stockTexts() {
		keys = append(keys, text.Key)
	}
	if got := strings.Join(keys, " "); got != "stock.later stock.left stock.low stock.waste stock.full" {
		t.Error(got)
	}
}

// The ticket of a job, from the carts' journals or from one, to a file or to standard output.
func TestTicket(t *testing.T) {
	file := shopFile(t)
	page := filepath.Join(t.TempDir(), "ticket.html")
	status, out, errors := program(t.Context(), "ticket", "van-7", "--opened", "newest", "--config", file, "--output", page)
	text, err := os.ReadFile(page)
	if status != 0 || out != "" || err != nil || !strings.Contains(string(text), "<h1>Job ticket</h1>") || !strings.Contains(string(text), "hilltop") ||
		!strings.Contains(string(text), "Grey Van 9") || !strings.Contains(string(text), " qt</strong>") {
		t.Errorf("status %d: %s%s: %v: %.2000s", status, out, errors, err, text)
	}
	journal := filepath.Join(filepath.Dir(file), "bay2.journal")
	ticketAsks(t, file)
	status, out, errors = program(t.Context(), "ticket", "van-8", "--journal", journal, "--lang", "es", "--units", "imperial")
	if status != 0 || !strings.Contains(out, "Hoja de trabajo") || !strings.Contains(out, " pt imp") {
		t.Errorf("status %d: %s: %.2000s", status, errors, out)
	}
	status, out, _ = program(t.Context(), "audit", "job", "van-7", "--config", file)
	if status != exitFailed && status != exitNotVerified || !strings.Contains(out, "van-7 on cart hilltop/bay2: same and complete") {
		t.Errorf("an audit by the configuration: status %d: %s", status, out)
	}
	auditByKeys(t, filepath.Dir(file))
	auditChangedKey(t, file)
	auditCutJournal(t, file)
	for _, c := range []struct {
		args   string
		status int
		says   string
	}{
		{"van-9 --config " + file, exitNotAudited, "bayfill audit jobs lists what there is"},
		{"van-8 --config " + file + " --opened soon", exitNotAudited, "--opened: "},
		{"van-7 --config " + file + " --cart bay9", exitNotAudited, `cart: there is no "bay9", the carts are bay2, bay3`},
		{"van-7 --config " + file + " --cart bay3", exitNotAudited, "bay3.journal"},
		{"van-7 --config none.yaml", exitConfig, "none.yaml"},
		{"van-7 --config " + file + " --lang xx", exitConfig, "--lang: "},
	} {
		if status, _, errors := program(t.Context(), append([]string{"ticket"}, strings.Fields(c.args)...)...); status != c.status || !strings.Contains(errors, c.says) {
			t.Errorf("%s: status %d: %s", c.args, status, errors)
		}
	}
}

// ticketAsks holds that of two jobs with one name none is taken silently: the one of a time is,
// or the newest that was closed when that is said.
func ticketAsks(t *testing.T, file string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(dir, os.DirFS(filepath.Dir(file))); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.ReplaceAll(text, []byte(filepath.Dir(file)), []byte(dir))
	file, journal := filepath.Join(dir, "bayfill.yaml"), filepath.Join(dir, "bay2.journal")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errors := program(t.Context(), "ticket", "van-7", "--config", file)
	times := regexp.MustCompile(`"(20.* UTC)", hilltop/bay2: closed`).FindAllStringSubmatch(errors, -1)
	if status != exitNotAudited || out != "" || len(times) != 2 || times[0][1] < times[1][1] {
		t.Fatalf("two closed ones: status %d: %s%s", status, out, errors)
	}
	ticket := func(opened string) string {
		status, out, errors := program(t.Context(), "ticket", "van-7", "--config", file, "--opened", opened)
		if status != 0 {
			t.Errorf("--opened %s: status %d: %s", opened, status, errors)
		}
		return out
	}
	newer, older := ticket(times[0][1]), ticket(times[1][1])
	if newer == older {
		t.Error("--opened does not choose")
	}
	giveUpNewest(t, journal, "van-7")
	_, _, errors = program(t.Context(), "ticket", "van-7", "--journal", journal, "--lang", "es")
	if !strings.Contains(errors, ", hilltop/bay2: dejado sin terminar\n") || !strings.HasSuffix(errors, ", hilltop/bay2: cerrado\n") {
		t.Errorf("one that was given up: %s", errors)
	}
	if ticket("newest") != older {
		t.Error("newest is not the newest that was closed")
	}
}

// giveUpNewest writes into the newest closing record of a name that the job was given up.
func giveUpNewest(t *testing.T, path, job string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	const newest = "seq = (SELECT max(seq) FROM published WHERE measurement = 'bayfill_job' AND fields LIKE ?)"
	if _, err := db.Exec(`UPDATE published SET fields = replace(fields, 'phase="closed"', 'phase="abandoned"') WHERE measurement = 'bayfill_job' AND `+newest, "%\""+job+"\"%"); err != nil {
		t.Fatal(err)
	}
}

// auditByKeys audits a copy of a journal without its keys, with them, and with a wrong one.
func auditByKeys(t *testing.T, dir string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "bay2.journal"))
	if err != nil {
		t.Fatal(err)
	}
	away := filepath.Join(t.TempDir(), "copy.journal")
	if err := os.WriteFile(away, text, 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(filepath.Join(dir, "bayfill.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	keys, err := c.TrustedKeys()
	if err != nil || len(keys) != 1 {
		t.Fatal(keys, err)
	}
	names := " --names-key " + filepath.Join(dir, "identity.key")
	for args, want := range map[string]string{
		"":                                   "nobody vouches; Grey Van 9 (name not proven); hilltop/bay2",
		" --key " + keys[0] + names:          "Signature: by a trusted key",
		" --key " + strings.Repeat("ab", 32): "none of the trusted ones; Signature: by a key that is not trusted",
	} {
		status, out, _ := program(t.Context(), strings.Fields("audit job van-7 --journal "+away+args)...)
		flat := strings.Join(strings.Fields(out), " ")
		for _, says := range strings.Split(want, "; ") {
			if !strings.Contains(flat, says) {
				t.Errorf("%s: the audit does not say %q: %s", args, says, out)
			}
		}
		if altered := status == exitAltered; altered != strings.Contains(args, "abab") || strings.Contains(flat, "not proven") == strings.Contains(args, "--names-key") {
			t.Errorf("%s: status %d: %s", args, status, out)
		}
	}
	if status, _, errors := program(t.Context(), "audit", "job", "van-7", "--journal", away, "--key", "abc"); status != exitNotAudited || !strings.Contains(errors, "--key: ") {
		t.Errorf("a key that is none: status %d: %s", status, errors)
	}
}

// auditChangedKey changes the key as bridge/THREATS.md says: an older record is trusted again
// once the configuration names the old public key.
func auditChangedKey(t *testing.T, file string) {
	t.Helper()
	c, err := config.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	old, err := c.TrustedKeys()
	if err != nil {
		t.Fatal(err)
	}
	key := filepath.Join(c.Data, "record.key")
	if err := os.Rename(key, key+".old"); err != nil {
		t.Fatal(err)
	}
	audited := func(config string) (status int, out string) {
		status, out, _ = program(t.Context(), "audit", "job", "van-7", "--config", config)
		return status, strings.Join(strings.Fields(out), " ")
	}
	if status, out := audited(file); status == exitAltered || !strings.Contains(out, "nobody vouches") {
		t.Errorf("lost: status %d: %s", status, out)
	}
	if now, err := c.RecordKey(); err != nil || recordkey.Public(now) == old[0] {
		t.Fatal("the next start makes no other key", err)
	}
	if status, out := audited(file); status != exitAltered || !strings.Contains(out, "none of the trusted ones") {
		t.Errorf("changed: status %d: %s", status, out)
	}
	named := filepath.Join(t.TempDir(), "bayfill.yaml")
	if err := os.WriteFile(named, append(bridgetest.ReadFile(t, file), "records: {keys: ["+old[0]+"]}\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, out := audited(named); status == exitAltered || !strings.Contains(out, "Signature: by a trusted key") {
		t.Errorf("changed and named: status %d: %s", status, out)
	}
	if err := os.Rename(key+".old", key); err != nil {
		t.Fatal(err)
	}
}

// auditCutJournal takes the end of the newest job out of its journal: the witness in the data
// folder knows better than to call the job open. A copy elsewhere has none.
func auditCutJournal(t *testing.T, file string) {
	t.Helper()
	path := filepath.Join(filepath.Dir(file), "bay2.journal")
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	for _, cut := range []string{
		"DELETE FROM event WHERE seq >= (SELECT max(seq) FROM published WHERE measurement = 'bayfill_job')",
		"DELETE FROM published WHERE seq > (SELECT max(seq) FROM event)",
	} {
		if _, err := db.Exec(cut); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if status, out, _ := program(t.Context(), "audit", "job", "van-7", "--config", file); status != exitAltered || !strings.Contains(out, "The end of the journal is missing") {
		t.Errorf("cut: status %d: %s", status, out)
	}
	away := filepath.Join(t.TempDir(), "bay2.journal")
	if err := os.WriteFile(away, bridgetest.ReadFile(t, path), 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errors := program(t.Context(), "audit", "job", "van-7", "--journal", away)
	if status != exitNotVerified || !strings.Contains(out, "hilltop/bay2: still open") || !strings.Contains(errors, "job van-7 is still open") {
		t.Errorf("open: status %d: %s%s", status, out, errors)
	}
	status, out, _ = program(t.Context(), "audit", "job", "van-7", "--journal", away, "--lang", "es")
	if status != exitNotVerified {
		t.Errorf("status %d", status)
	}
	bridgetest.Spanish(t, out)
	var report struct{ Findings []struct{ Kind string } }
	status, out, _ = program(t.Context(), "audit", "job", "van-7", "--journal", away, "--json")
	if err := json.Unmarshal([]byte(out), &report); err != nil || status != exitNotVerified || len(report.Findings) != 1 || report.Findings[0].Kind != "open" {
		t.Errorf("status %d, %v: %s", status, err, out)
	}
}
