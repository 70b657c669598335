package audit_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

const (
	reading = "bayfill_reading"
	input   = "bayfill_input"
	volume  = "bayfill_volume"
	window  = "bayfill_window"
)

// Whatever is done to a record is found and called by its name; what nothing was
// done to is the same and complete.
func TestTamperedRecords(t *testing.T) {
	bridgetest.Slow(t)
	config := audittest.HistoryConfig(t, "http://127.0.0.1:1", "cart")
	d := audittest.ShortJobs(t)
	journaltest.KeepJobs(t, config, []string{"a", "b"}, signed(study.Events(d, 7, 1), "Kim Example"), study.Events(d, 7, 2))
	load := func(job string) *audit.Record {
		r, err := audit.FromJournal(t.Context(), config.JournalPath("cart"), "test", "cart", job, 0)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	good, other := load("a"), load("b")
	const each = 3
	rng := rand.New(rand.NewPCG(1, 2))
	random, forged := tamperings(other), forgeries()
	for i, tamper := range append(random, forged...) {
		t.Run(tamper.name, func(t *testing.T) {
			for n := range each {
				if i >= len(random) && n > 0 {
					return
				}
				r := *good
				r.Points = slices.Clone(good.Points)
				seq := tamper.spoil(&r, rng)
				report := audit.Check(&r, audittest.Trust(t, config))
				named := slices.ContainsFunc(report.Findings, func(f audit.Finding) bool {
					return slices.Contains(tamper.kinds, f.Kind) && strings.Contains(fmt.Sprint(report.Findings), tamper.says) &&
						(seq == 0 || f.Seq == 0 || f.Seq <= seq+100)
				})
				if report.SameAndComplete() || !named {
					t.Fatalf("at event %d: same %v, complete %v, %+v", seq, report.Same, report.Complete, report.Findings)
				}
			}
		})
	}
	if report := audit.Check(good, audittest.Trust(t, config)); !report.SameAndComplete() {
		t.Errorf("the good one: %+v", report.Findings)
	}
}

// signed returns events of which somebody did each command.
func signed(events []fillcalc.Event, by string) (named []fillcalc.Event) {
	for _, e := range events {
		if e.Input != nil {
			in := *e.Input
			in.By = by
			e.Input = &in
		}
		named = append(named, e)
	}
	return named
}

// A name whose text was changed in the journal is forged; without the key it is not proven,
// and nothing else is wrong. Two texts for one token prove a forgery without the key.
func TestForgedNameInTheJournal(t *testing.T) {
	config := audittest.HistoryConfig(t, "http://127.0.0.1:1", "cart")
	journaltest.KeepJobs(t, config, []string{"a"}, signed(study.Events(audittest.ShortJobs(t), 7, 1), "Kim Example"))
	path := config.JournalPath("cart")
	load := func() *audit.Record {
		t.Helper()
		r, err := audit.FromJournal(t.Context(), path, "", "", "a", 0)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	states := func(rep *audit.Report) (text string) {
		for _, n := range rep.Names {
			text += fmt.Sprintf("%s %s, ", n.Text, n.State)
		}
		return text
	}
	record := load()
	if record.Shop != "test" || record.Cart != "cart" {
		t.Errorf("the job was done on %s/%s", record.Shop, record.Cart)
	}
	trust := audittest.Trust(t, config)
	if rep := audit.Check(record, trust); states(rep) != "Kim Example proven, Grey Van 7 proven, " || rep.Signature.State != audit.Trusted || !rep.SameAndComplete() {
		t.Errorf("%s%+v, %+v", states(rep), rep.Signature, rep.Findings)
	}
	if rep := audit.Check(record, audit.Trust{}); states(rep) != "Kim Example not_proven, Grey Van 7 not_proven, " || rep.Signature.State != audit.UnknownKey || !rep.SameAndComplete() {
		t.Errorf("without the key: %s%+v, %+v", states(rep), rep.Signature, rep.Findings)
	}
	last := len(record.Points) - 1
	for record.Points[last].Fields["by"] == nil {
		last--
	}
	alter(record, last, "by", "Somebody Else")
	if rep := audit.Check(record, audit.Trust{}); states(rep) != " forged, Grey Van 7 not_proven, " || rep.Complete {
		t.Errorf("two texts without the key: %s%+v", states(rep), rep.Findings)
	}
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.DB.Exec("UPDATE name SET text = 'Red Car 1' WHERE text = 'Grey Van 7'"); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if rep := audit.Check(load(), trust); states(rep) != "Kim Example proven,  forged, " || rep.Complete {
		t.Errorf("forged: %s%+v", states(rep), rep.Findings)
	}
}

// The same in a real history, with the means of anybody who may write to it: each
// way on a job of its own, beside jobs that nobody touched.
func TestTamperedHistory(t *testing.T) {
	server := bridgetest.StartInflux(t)
	config := audittest.HistoryConfig(t, server.URL, "cart")
	d := audittest.ShortJobs(t)
	remove := func(p points.Point) {
		statement := fmt.Sprintf("DELETE FROM %s WHERE time = %d AND cart = 'cart'", p.Measurement, p.AtNs)
		if p.Sensor != "" {
			statement += " AND sensor = '" + p.Sensor + "'"
		}
		server.QL(statement)
	}
	write := func(p points.Point) { server.Write(p.Line("test", "cart")) }
	// put writes all points of a job under other tags; move also removes them where they were.
	put := func(r *audit.Record, shop, cart string) {
		lines := []string{r.Summary.Line(shop, cart)}
		for _, p := range r.Points {
			lines = append(lines, p.Line(shop, cart))
		}
		for part := range slices.Chunk(lines, 2000) {
			server.Write(strings.Join(part, "\n"))
		}
	}
	move := func(r *audit.Record, shop, cart string) {
		first := r.Summary.AtNs
		for _, p := range r.Points {
			first = min(first, p.AtNs)
		}
		for _, m := range []string{reading, input, volume, window, "bayfill_job"} {
			server.QL(fmt.Sprintf("DELETE FROM %s WHERE time >= %d AND time <= %d AND cart = 'cart' AND shop = 'test'", m, first, r.Summary.AtNs))
		}
		put(r, shop, cart)
	}
	ofKind := func(r *audit.Record, measurement string, from int) int {
		for i := from; ; i++ {
			if r.Points[i].Measurement == measurement && (measurement != reading || r.Points[i].Fields["kg"] != nil) {
				return i
			}
		}
	}
	cases := []struct {
		name  string
		spoil func(r *audit.Record)
		kind  audit.Kind // empty: it stays good
		says  string
	}{
		{"nothing", func(*audit.Record) {}, "", ""},
		{"a reading deleted", func(r *audit.Record) { remove(r.Points[ofKind(r, reading, 500)]) }, audit.Missing, "event"},
		{"a published volume deleted", func(r *audit.Record) { remove(r.Points[ofKind(r, volume, 0)+7]) }, audit.Altered, "chain"},
		{"a value changed by one digit", func(r *audit.Record) {
			i := ofKind(r, reading, 700)
			alter(r, i, "kg", r.Points[i].Fields["kg"].(float64)+0.001)
			write(r.Points[i])
		}, audit.Altered, "chain"},
		{"two points swapped", func(r *audit.Record) {
			i := ofKind(r, reading, 600)
			k := ofKind(r, reading, i+20)
			r.Points[i].AtNs, r.Points[k].AtNs = r.Points[k].AtNs, r.Points[i].AtNs
			write(r.Points[i])
			write(r.Points[k])
		}, audit.Order, "not later"},
		{"a point inserted", func(r *audit.Record) {
			p := r.Points[ofKind(r, reading, 800)]
			p.AtNs += 1000
			write(p)
		}, audit.Added, "another point"},
		{"a whole sensor missing", func(r *audit.Record) {
			first, last := r.Points[0].AtNs, r.Summary.AtNs
			for _, p := range r.Points {
				first = min(first, p.AtNs)
			}
			server.QL(fmt.Sprintf("DELETE FROM bayfill_reading WHERE sensor = 'probe' AND time >= %d AND time <= %d", first, last))
		}, audit.Missing, "no reading at all of sensor probe"},
		{"the tail cut", func(r *audit.Record) {
			at := r.Points[ofKind(r, reading, 900)].AtNs
			for _, m := range []string{reading, input, volume, window} {
				server.QL(fmt.Sprintf("DELETE FROM %s WHERE time >= %d AND time <= %d", m, at, r.Summary.AtNs))
			}
		}, audit.Missing, "The end is missing"},
		{"another job's readings mixed in", nil, audit.Added, "not of this job"},
		{"fields and a tag beyond the contract", func(r *audit.Record) {
			note, column := r.Points[ofKind(r, reading, 500)], r.Points[ofKind(r, volume, 0)]
			tagged := r.Points[ofKind(r, reading, 600)]
			note.Fields, column.Fields = points.Fields{"_note": "hello"}, points.Fields{"result": 1.5}
			write(note)
			write(column)
			server.Write(strings.Replace(tagged.Line("test", "cart"), ",sensor=", ",mark=hello,sensor=", 1))
		}, audit.Unreadable, "_note; mark; result was published as 1.5; field vehicle is forged"},
		{"the version of the calculation, and the technician", func(r *audit.Record) {
			fold, by := *r.Summary, r.Points[opening(r)]
			fold.Fields, by.Fields = points.Fields{"fold": int64(9)}, points.Fields{"by": "Somebody Else"}
			write(fold)
			write(by)
		}, audit.Forged, "field by is forged; its fold is 9; field vehicle is forged"},
		{"tags shop and cart renamed", func(r *audit.Record) { move(r, "elsewhere", "moved") }, audit.Misplaced, "elsewhere/moved"},
	}
	exchanged := len(cases) - 3 // the first of two jobs whose vehicles are exchanged too
	var names []string
	var jobs [][]fillcalc.Event
	for i := range cases {
		names = append(names, fmt.Sprintf("job-%d", i))
		jobs = append(jobs, signed(study.Events(d, 9, i+1), "Kim Example"))
	}
	journaltest.KeepJobs(t, config, names, jobs...)
	audittest.Forward(t, config, "cart")
	store, err := audit.OpenStore(config.History)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	load := func(job string) *audit.Record {
		r, err := store.Record(t.Context(), job, 0)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for i, c := range cases {
		r := load(names[i])
		if c.spoil != nil {
			c.spoil(r)
			continue
		}
		from := load(names[0])
		shift := r.Points[len(r.Points)/2].AtNs - from.Points[0].AtNs
		for _, p := range from.Points[:50] {
			if p.AtNs += shift + 1; p.AtNs < r.Summary.AtNs { // the next job is none of its business
				write(p)
			}
		}
	}
	one, two := load(names[exchanged]), load(names[exchanged+1])
	opened, other := one.Points[opening(one)], two.Points[opening(two)]
	opened.Fields, other.Fields = points.Fields{"vehicle": other.Fields["vehicle"]}, points.Fields{"vehicle": opened.Fields["vehicle"]}
	write(opened)
	write(other)
	copied := audittest.Trust(t, config)
	j, err := journal.OpenReadOnly(config.JournalPath("cart"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if copied.Copies, err = j.Closings(t.Context()); err != nil || len(copied.Copies) != len(cases) {
		t.Fatal(len(copied.Copies), err)
	}
	if report := audit.Check(load(names[0]), copied); !report.SameAndComplete() {
		t.Errorf("beside the journal's closing records: %+v", report.Findings)
	}
	for i, c := range cases {
		report := audit.Check(load(names[i]), audittest.Trust(t, config))
		named := slices.ContainsFunc(report.Findings, func(f audit.Finding) bool { return f.Kind == c.kind })
		for _, says := range strings.Split(c.says, "; ") {
			named = named && strings.Contains(fmt.Sprint(report.Findings), says)
		}
		if report.SameAndComplete() != (c.kind == "") || c.kind != "" && !named {
			t.Errorf("%s: same %v, complete %v, %+v", c.name, report.Same, report.Complete, report.Findings)
		}
	}
	put(load(names[0]), "test", "copy") // the first job, which is good
	for _, store.Cart = range []string{"copy", "cart"} {
		report := audit.Check(load(names[0]), audittest.Trust(t, config))
		misplaced := slices.ContainsFunc(report.Findings, func(f audit.Finding) bool { return f.Kind == audit.Misplaced })
		if report.SameAndComplete() == misplaced || misplaced != (store.Cart == "copy") || report.SameName != 0 {
			t.Errorf("copied, on cart %s: %+v", store.Cart, report.Findings)
		}
	}
}
