package audit

import (
	"testing"

	"bayfill/bridge/points"
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
