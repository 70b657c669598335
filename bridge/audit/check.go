package audit

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// Report is the result of an audit.
type Report struct {
	Shop string `json:"shop"`
	Cart string `json:"cart"`
	Job  string `json:"job"`
	From string `json:"from"`
	// Same: every published figure came out again to the last bit.
	Same bool `json:"same"`
	// Complete: no point is missing, altered, added or out of order.
	Complete  bool        `json:"complete"`
	Findings  []Finding   `json:"findings"`
	Events    int         `json:"events"`
	Published int         `json:"published"` // messages compared
	Signature Signature   `json:"signature"`
	Names     []NameProof `json:"names"` // in the order in which the job mentions them
	OpenedAt  string      `json:"opened_at,omitempty"`
	EndedAt   string      `json:"ended_at,omitempty"`
	SameName  int         `json:"other_jobs_of_that_name"`

	state  fillcalc.State
	events []fillcalc.Event
}

// Check computes a job again from its record and reports what does not agree.
func Check(rec *Record, trust Trust) *Report {
	r := &Report{Shop: rec.Shop, Cart: rec.Cart, Job: rec.Job, From: rec.From, SameName: len(rec.SameName),
		Same: true, Complete: true, Findings: []Finding{}, Names: []NameProof{}}
	published := r.sort(rec, trust.NameKey)
	r.leaveOut(published)
	own := r.extent(rec, &trust)
	r.place(own)
	chain, broken := r.follow(rec, own, published)
	s := r.replay(published)
	r.checkPlace(rec)
	r.checkRecord(rec, &s, chain, broken)
	r.checkSignature(rec, &trust)
	r.checkCopy(rec, &trust)
	if broken != nil && !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Kind != Differs && f.Seq <= broken.upTo && explains[f.Kind] }) {
		r.tell(broken)
	}
	slices.SortStableFunc(r.Findings, func(a, b Finding) int { return cmp.Compare(a.Seq, b.Seq) })
	r.state = s
	return r
}

// explains are the findings that say why a chain breaks.
var explains = map[Kind]bool{Missing: true, Added: true, Order: true, Altered: true, Unreadable: true}

// sort reads the points. It puts the events in the order of their numbers, and
// returns the published messages by the number of the event before them.
func (r *Report) sort(rec *Record, nameKey []byte) map[uint64][]points.Point {
	published := map[uint64][]points.Point{}
	for i := range rec.Points {
		p := &rec.Points[i]
		switch p.Measurement {
		case points.ReadingMeasurement, points.InputMeasurement:
			e, err := p.Event()
			if err != nil {
				r.find(Unreadable, 0, p.AtNs, "finding.unreadable", nil, labels{"point": strings.TrimSpace(p.Measurement + " " + p.Sensor), "why": err.Error()})
				continue
			}
			if e.Input != nil {
				r.proveNames(p, &e, nameKey)
			}
			r.events = append(r.events, e)
		default:
			seq, err := p.Seq()
			if err != nil {
				r.find(Unreadable, 0, p.AtNs, "finding.unreadable", nil, labels{"point": p.Measurement, "why": err.Error()})
				continue
			}
			published[seq] = append(published[seq], *p)
		}
	}
	slices.SortStableFunc(r.events, func(a, b fillcalc.Event) int {
		return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.AtNs, b.AtNs))
	})
	for _, list := range published {
		slices.SortStableFunc(list, func(a, b points.Point) int { return strings.Compare(a.Measurement, b.Measurement) })
	}
	return published
}

// replay folds the events again and compares the results with the published messages.
func (r *Report) replay(published map[uint64][]points.Point) (s fillcalc.State) {
	if len(r.events) == 0 {
		r.find(NoOpening, 0, 0, "finding.empty", nil, nil)
		return s
	}
	r.OpenedAt, r.EndedAt = clock(r.events[0].AtNs), clock(r.events[len(r.events)-1].AtNs)
	differ := 0
	var first difference
	for i := range r.events {
		e := r.events[i]
		s = fillcalc.Apply(s, e)
		for k := range published[e.Seq] {
			p := &published[e.Seq][k]
			r.Published++
			again := points.Volumes
			if p.Measurement == points.WindowMeasurement {
				again = points.Window
			}
			if p.AtNs != e.AtNs {
				r.find(Order, e.Seq, e.AtNs, "finding.other_time", figures{"number": float64(e.Seq)}, labels{"point": p.Measurement, "moment": clock(p.AtNs)})
			}
			if d := compare(p.Fields, again(&s), points.ChainField); d != nil {
				if differ++; differ == 1 {
					first = *d
					first.event, first.names["point"] = e, p.Measurement
				}
			}
		}
	}
	if differ > 0 {
		key := "finding.differs"
		if differ > 1 {
			key = "finding.differs_more"
		}
		r.find(Differs, first.event.Seq, first.event.AtNs, key, figures{"number": float64(first.event.Seq), "more": float64(differ - 1)}, first.names)
	}
	return s
}

// checkPlace compares the shop and the cart under which the record stands with those on
// which the job was opened.
func (r *Report) checkPlace(rec *Record) {
	if len(r.events) == 0 {
		return
	}
	e := &r.events[0]
	in := e.Input
	if in == nil || in.Do != fillcalc.DoOpen || in.Setup == nil || in.Job == nil || in.Job.ID != r.Job {
		r.find(NoOpening, e.Seq, e.AtNs, "finding.not_opened", nil, labels{"job": r.Job})
		return
	}
	if in.Setup.Shop != rec.Shop || in.Setup.Cart != rec.Cart {
		r.find(Misplaced, e.Seq, e.AtNs, "finding.misplaced", nil, labels{"place": rec.Shop + "/" + rec.Cart, "opened": in.Setup.Shop + "/" + in.Setup.Cart})
	}
}

// program returns the build that made the closing record, as the record says.
func (r *Record) program() string {
	if r.Summary == nil {
		return ""
	}
	program, _ := r.Summary.Fields[points.ProgramField].(string)
	return program
}

// checkRecord compares the closing record with the one that comes out again.
func (r *Report) checkRecord(rec *Record, s *fillcalc.State, chain points.Chain, broken *chainBreak) {
	if rec.Summary == nil || len(r.events) == 0 || broken != nil && !broken.atEnd ||
		slices.ContainsFunc(r.Findings, func(f Finding) bool { return explains[f.Kind] || f.Kind == NoOpening }) {
		return // what is missing or altered before explains what differs
	}
	d := compare(rec.Summary.Fields, points.Summary(s, chain, rec.program(), nil), points.ChainField, points.KeyField, points.SignatureField)
	switch {
	case d == nil:
	case broken != nil:
		r.find(Altered, s.Seq, s.NowNs, "finding.record_altered", nil, d.names)
	default:
		r.find(Differs, s.Seq, s.NowNs, "finding.record_differs", nil, d.names)
		if fold, _ := rec.Summary.Fields["fold"].(int64); fold != fillcalc.FoldVersion {
			r.find(Version, 0, 0, "finding.version", figures{"was": float64(fold), "is": fillcalc.FoldVersion}, nil)
		}
	}
}

// difference is a figure that does not come out again.
type difference struct {
	event fillcalc.Event // after which it was published
	names labels         // field, was, is
}

// compare returns nil when the fields that were kept are those that come out again, floats
// to the last bit, but for some fields. Otherwise it returns the first one that differs.
func compare(kept points.Fields, again points.Published, but ...string) *difference {
	want, err := points.ParseFields(again.Fields)
	if err != nil {
		return &difference{names: labels{"field": err.Error()}}
	}
	all := maps.Clone(kept)
	maps.Copy(all, want)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if !slices.Contains(but, name) && !sameValue(kept[name], want[name]) {
			return &difference{names: labels{"field": name, "was": valueText(kept[name]), "is": valueText(want[name])}}
		}
	}
	return nil
}

// valueText is a value of a field; a dash when there is none.
func valueText(v any) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprint(v)
}

// sameValue compares two values of a field, floats to the last bit.
func sameValue(a, b any) bool {
	x, isFloat := a.(float64)
	y, areFloats := b.(float64)
	if isFloat && areFloats {
		return math.Float64bits(x) == math.Float64bits(y)
	}
	return a == b
}
