package audit

import (
	"slices"
	"testing"

	"bayfill/bridge/points"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Whoever has the program and the bridge's key can make a record whose chain and signature are
// right. The second place still holds the other one.
func TestRecordDiffersFromItsCopy(t *testing.T) {
	p := byTheBook(t, calibrated(), vanJob()).topUp()
	p.record(levelRight)
	p.end()
	copied, forged := p.keep(), p.keepWith(func(f points.Fields) { f["fluid"] = "ruby" })
	trust := testTrust
	trust.Copies = []points.Point{*copied.Summary}
	if rep := Check(copied, trust); !rep.SameAndComplete() {
		t.Errorf("the true one: %+v", rep.Findings)
	}
	rep := Check(forged, trust)
	kinds := map[Kind]string{}
	for _, f := range rep.Findings {
		kinds[f.Kind] = f.Say
	}
	if rep.Signature.State != Trusted || kinds[Altered] != "finding.copy_differs" {
		t.Errorf("%+v: %+v", rep.Signature, rep.Findings)
	}
}

// A job that has not ended is open, and not altered, as long as nothing else knows of its end.
func TestOpenJob(t *testing.T) {
	p := byTheBook(t, calibrated(), vanJob())
	record := p.keep()
	openedNs := p.events[0].AtNs
	closed := func(openedNs int64) Trust {
		trust := testTrust
		trust.Copies = []points.Point{{Measurement: points.JobMeasurement, Fields: points.Fields{"opened_ns": openedNs}}}
		return trust
	}
	next := record.Points[0]
	next.AtNs = p.atNs + 1
	next.Fields = points.Fields{"seq": int64(p.s.Seq + 1), "body": next.Fields["body"]}
	for _, c := range []struct {
		name    string
		spoil   func(*Record)
		trust   Trust
		outcome fillcalc.Outcome // of the record
		says    string
	}{
		{"nothing knows of an end", nil, testTrust, fillcalc.NotVerified, "finding.open"},
		{"an earlier job ended", nil, closed(openedNs - 1), fillcalc.NotVerified, "finding.open"},
		{"another place holds its closing record", nil, closed(openedNs), fillcalc.Failed, "finding.not_ended_copy"},
		{"another place holds that of a later job", nil, closed(openedNs + 1), fillcalc.Failed, "finding.not_ended_copy"},
		{"another job was opened", func(r *Record) { r.Points = append(r.Points, next) }, testTrust, fillcalc.Failed, "finding.not_ended_later"},
		{"the journal had got further", func(r *Record) { r.NewestSeq = p.s.Seq + 1 }, testTrust, fillcalc.Failed, "finding.not_ended_cut"},
		{"a reading is missing", func(r *Record) { r.Points = slices.Delete(r.Points, 9, 10) }, testTrust, fillcalc.Failed, "finding.missing"},
	} {
		r := *record
		r.Points = slices.Clone(record.Points)
		if c.spoil != nil {
			c.spoil(&r)
		}
		rep := Check(&r, c.trust)
		v := Judge(rep, fillcalc.DefaultToleranceL, words.Plain)
		said := slices.ContainsFunc(rep.Findings, func(f Finding) bool { return f.Say == c.says })
		if !said || v.Criteria[0].Outcome != c.outcome || v.Outcome != c.outcome || rep.Complete || rep.StillOpen() != (c.outcome == fillcalc.NotVerified) {
			t.Errorf("%s: the record %s, the job %s: %+v", c.name, v.Criteria[0].Outcome, v.Outcome, rep.Findings)
		}
	}
}
