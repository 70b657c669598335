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
	Complete  bool      `json:"complete"`
	Findings  []Finding `json:"findings"`
	Events    int       `json:"events"`
	Published int       `json:"published"` // messages compared
	OpenedAt  string    `json:"opened_at,omitempty"`
	EndedAt   string    `json:"ended_at,omitempty"`
	SameName  int       `json:"other_jobs_of_that_name"`

	state  fillcalc.State
	events []fillcalc.Event
}

// Kind is what is wrong with a record.
type Kind string

const (
	Missing    Kind = "missing"      // points of the job are not there
	Added      Kind = "added"        // points that are not of the job are there
	Order      Kind = "order"        // points are in another order
	Altered    Kind = "altered"      // a point was changed
	Unreadable Kind = "unreadable"   // this program does not write such a point
	NoSummary  Kind = "no_record"    // the closing record is missing
	Differs    Kind = "differs"      // a published figure does not come out again
	Version    Kind = "other_fold"   // another version of the calculation computed the job
	NotEnded   Kind = "not_ended"    // the job is open, or its end is missing
	NoOpening  Kind = "no_beginning" // the command that opened the job is missing
)

// Finding is one thing that is wrong. Seq is the event where it was found, 0 when
// unknown; At is the time, empty when unknown; Text says for people what is wrong.
type Finding struct {
	Kind Kind   `json:"kind"`
	Seq  uint64 `json:"seq,omitempty"`
	At   string `json:"at,omitempty"`
	Text string `json:"text"`
}

// SameAndComplete reports whether the audit found nothing.
func (r *Report) SameAndComplete() bool { return r.Same && r.Complete }

const maxFindings = 50

// find adds a finding, unless there are too many already, and marks the report.
func (r *Report) find(kind Kind, seq uint64, atNs int64, format string, args ...any) {
	if kind == Differs || kind == Version {
		r.Same = false
	} else {
		r.Complete = false
	}
	if len(r.Findings) == maxFindings {
		return
	}
	f := Finding{Kind: kind, Seq: seq, Text: fmt.Sprintf(format, args...)}
	if atNs != 0 {
		f.At = clock(atNs)
	}
	r.Findings = append(r.Findings, f)
}

// seqs is a range of event numbers, both ends included.
type seqs struct{ from, to uint64 }

// Check computes a job again from its record and reports what does not agree. It
// adds the names that it learns from the points to the record.
func Check(rec *Record) *Report {
	r := &Report{Shop: rec.Shop, Cart: rec.Cart, Job: rec.Job, From: rec.From, SameName: rec.SameName,
		Same: true, Complete: true, Findings: []Finding{}}
	published := r.sort(rec)
	r.leaveOut(published)
	own := r.extent(rec)
	r.place(own)
	chain, broken := r.follow(rec, own, published)
	r.replay(rec, published, chain, broken)
	if broken != nil && !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Kind != Differs && f.Seq <= broken.upTo }) {
		r.find(Altered, broken.after, 0, "%s", broken.text())
	}
	slices.SortStableFunc(r.Findings, func(a, b Finding) int { return cmp.Compare(a.Seq, b.Seq) })
	return r
}

// sort reads the points. It puts the events in the order of their numbers, and
// returns the published messages by the number of the event before them.
func (r *Report) sort(rec *Record) map[uint64][]points.Point {
	published := map[uint64][]points.Point{}
	for i := range rec.Points {
		p := &rec.Points[i]
		switch p.Measurement {
		case points.ReadingMeasurement, points.InputMeasurement:
			e, err := p.Event()
			if err != nil {
				r.find(Unreadable, 0, p.AtNs, "a point of %s %sis none of this program's: %v", p.Measurement, ofSensor(p.Sensor), err)
				continue
			}
			if e.Input != nil {
				p.LearnNames(rec.Names, e.Input)
			}
			r.events = append(r.events, e)
		default:
			seq, err := p.Seq()
			if err != nil {
				r.find(Unreadable, 0, p.AtNs, "a point of %s is none of this program's: %v", p.Measurement, err)
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

func ofSensor(name string) string {
	if name == "" {
		return ""
	}
	return "of sensor " + name + " "
}

// extent finds the range of events that belong to the job.
func (r *Report) extent(rec *Record) (own seqs) {
	if rec.Summary != nil {
		from, _ := rec.Summary.Fields["seq_from"].(int64)
		to, _ := rec.Summary.Fields["seq"].(int64)
		if from < 1 || to < from {
			r.find(Altered, 0, rec.Summary.AtNs, "the closing record says that the job takes up events %d to %d", from, to)
			return own
		}
		return seqs{uint64(from), uint64(to)}
	}
	for i := range r.events {
		e := &r.events[i]
		if e.Input == nil {
			continue
		}
		switch e.Input.Do {
		case fillcalc.DoOpen:
			if e.Input.Job != nil && e.Input.Job.ID == r.Job && own.from == 0 {
				own.from = e.Seq
			}
		case fillcalc.DoClose, fillcalc.DoAbandon:
			if own.from != 0 && own.to == 0 {
				own.to = e.Seq
			}
		}
	}
	if own.to != 0 {
		r.find(NoSummary, own.to, 0, "the job has ended, but its closing record is missing: nothing says what its points were")
	} else if n := len(r.events); n > 0 {
		own.to = r.events[n-1].Seq
		r.find(NotEnded, own.to, r.events[n-1].AtNs, "the job has no end: it is still open, or its last points are missing")
	}
	return own
}

// place compares the numbers and times of the events with the range of the job. It
// removes events that are not of the job; the rest stays in the order of numbers.
func (r *Report) place(own seqs) {
	var kept []fillcalc.Event
	next := own.from
	var missing []seqs
	for _, e := range r.events {
		switch {
		case e.Seq < own.from || e.Seq > own.to:
			r.find(Added, e.Seq, e.AtNs, "%s bears the number %d, which is not of this job (%d to %d)", what(&e), e.Seq, own.from, own.to)
			continue
		case e.Seq < next:
			r.find(Added, e.Seq, e.AtNs, "%s bears the number %d, which another point has too", what(&e), e.Seq)
			continue
		case e.Seq > next && !continues(&e, next-1):
			missing = append(missing, seqs{next, e.Seq - 1})
		}
		if n := len(kept); n > 0 && e.AtNs <= kept[n-1].AtNs {
			r.find(Order, e.Seq, e.AtNs, "%s is number %d but not later than number %d (%s, at %s)", what(&e), e.Seq, kept[n-1].Seq, what(&kept[n-1]), clock(kept[n-1].AtNs))
		}
		next = e.Seq + 1
		kept = append(kept, e)
	}
	r.events = kept
	r.Events = len(kept)
	if len(missing) > 0 {
		r.silentSensors(own)
	}
	const maxPlaces = 10
	for n, gap := range missing {
		if n == maxPlaces {
			left := 0
			for _, gap := range missing[n:] {
				left += int(gap.to - gap.from + 1)
			}
			r.find(Missing, gap.from, 0, "%d more events are missing in %d other places", left, len(missing)-n)
			break
		}
		i, _ := slices.BinarySearchFunc(kept, gap.to, func(e fillcalc.Event, seq uint64) int { return cmp.Compare(e.Seq, seq) })
		r.find(Missing, gap.from, kept[i].AtNs, "%s missing before %s%s", numbers(gap), clock(kept[i].AtNs), r.whose(gap))
	}
	if len(kept) > 0 && own.to >= next {
		last := &kept[len(kept)-1]
		r.find(Missing, next, last.AtNs, "the end is missing: %s, all after %s", numbers(seqs{next, own.to}), clock(last.AtNs))
	}
	if len(kept) == 0 && own.to != 0 {
		r.find(Missing, own.from, 0, "all of it is missing: %s", numbers(own))
	}
}

func numbers(s seqs) string {
	if s.from == s.to {
		return fmt.Sprintf("event %d is", s.from)
	}
	return fmt.Sprintf("%d events, %d to %d, are", s.to-s.from+1, s.from, s.to)
}

// whose says how many frames of which sensor are missing in a gap, by the number that
// each sensor gives its own frames. It looks at so many events on either side.
func (r *Report) whose(gap seqs) string {
	const reach = 2000
	at, _ := slices.BinarySearchFunc(r.events, gap.from, func(e fillcalc.Event, seq uint64) int { return cmp.Compare(e.Seq, seq) })
	before := map[string]uint64{}
	for i := at - 1; i >= 0 && i > at-reach; i-- {
		if e := &r.events[i]; e.Sensor != "" {
			if _, seen := before[e.Sensor]; !seen {
				before[e.Sensor] = e.N
			}
		}
	}
	after := map[string]uint64{}
	for i := at; i < len(r.events) && i < at+reach; i++ {
		if e := &r.events[i]; e.Sensor != "" {
			if _, seen := after[e.Sensor]; !seen {
				after[e.Sensor] = e.N
			}
		}
	}
	var parts []string
	for _, sensor := range slices.Sorted(maps.Keys(after)) {
		if b, seen := before[sensor]; seen && after[sensor] > b+1 {
			parts = append(parts, fmt.Sprintf("%d of sensor %s", after[sensor]-b-1, sensor))
		}
	}
	if parts == nil {
		return ""
	}
	return " (" + strings.Join(parts, ", ") + ")"
}

// silentSensors finds the sensors of the setup of which there is no reading at all.
func (r *Report) silentSensors(own seqs) {
	if len(r.events) == 0 {
		return
	}
	seen := map[string]bool{}
	for i := range r.events {
		seen[r.events[i].Sensor] = true
	}
	in := r.events[0].Input
	if in == nil || in.Setup == nil {
		return
	}
	names := []string{in.Setup.Probe.Sensor, in.Setup.CaddyProbe.Sensor, in.Setup.Coolant.Sensor}
	for _, sc := range in.Setup.Scales {
		names = append(names, sc.Sensor)
	}
	for _, name := range names {
		if name != "" && !seen[name] {
			r.find(Missing, own.from, r.events[0].AtNs, "there is no reading at all of sensor %s", name)
		}
	}
}

func what(e *fillcalc.Event) string {
	if e.Input != nil {
		return "the input " + string(e.Input.Do)
	}
	return "a reading of sensor " + e.Sensor
}

// chainBreak is where the chain breaks: after an event that is proved, and up to one
// that is not. Another finding in that range explains it.
type chainBreak struct {
	after, upTo uint64
	upToNs      int64
	atEnd       bool // only the head at the end differs
}

func (b *chainBreak) text() string {
	if b.atEnd {
		return fmt.Sprintf("of what came after event %d, or in the closing record, something was altered, added or taken away: the chain ends in another way", b.after)
	}
	return fmt.Sprintf("of events %d to %d, up to %s, or what was published there, something was altered, added or taken away: the chain breaks", b.after, b.upTo, clock(b.upToNs))
}

// follow computes the chain over the events and the published messages, and compares
// it with the volume points and the closing record. It returns the chain, and where
// it breaks, nil when it does not.
func (r *Report) follow(rec *Record, own seqs, published map[uint64][]points.Point) (chain points.Chain, broken *chainBreak) {
	if rec.Summary == nil {
		return chain, nil
	}
	from, _ := rec.Summary.Fields["chain_from"].(string)
	if err := chain.Head.UnmarshalText([]byte(from)); err != nil {
		r.find(Altered, 0, rec.Summary.AtNs, "chain_from of the closing record: %v", err)
		return chain, nil
	}
	chain.JobHead, chain.JobSeq = chain.Head, own.from
	good := own.from
	known := map[uint64]bool{}
	for i := range r.events {
		e := &r.events[i]
		known[e.Seq] = true
		chain.Head = chain.Head.Link(e)
		for _, p := range published[e.Seq] {
			if head, there := p.Fields["chain"]; there && broken == nil {
				if head == chain.Head.Short() {
					good = e.Seq
				} else {
					broken = &chainBreak{after: good, upTo: e.Seq, upToNs: e.AtNs}
				}
			}
			chain.Head = chain.Head.LinkPublished(p.Measurement, e.Seq, p.Fields)
		}
	}
	for _, seq := range slices.Sorted(maps.Keys(published)) {
		if !known[seq] {
			p := &published[seq][0]
			if seq < own.from || seq > own.to {
				r.find(Added, seq, p.AtNs, "a point of %s bears the number %d, which is not of this job (%d to %d)", p.Measurement, seq, own.from, own.to)
			}
		}
	}
	if end, _ := rec.Summary.Fields["chain"].(string); broken == nil && end != chain.Head.String() {
		broken = &chainBreak{after: good, upTo: own.to, atEnd: true}
	}
	return chain, broken
}

// replay folds the events again and compares the results with the published messages
// and the closing record.
func (r *Report) replay(rec *Record, published map[uint64][]points.Point, chain points.Chain, broken *chainBreak) {
	if len(r.events) == 0 {
		r.find(NoOpening, 0, 0, "there is not one event of the job")
		return
	}
	if in := r.events[0].Input; in == nil || in.Do != fillcalc.DoOpen || in.Setup == nil || in.Job == nil || in.Job.ID != r.Job {
		r.find(NoOpening, r.events[0].Seq, r.events[0].AtNs, "the first event is not the command that opened job %s", r.Job)
	}
	r.OpenedAt, r.EndedAt = clock(r.events[0].AtNs), clock(r.events[len(r.events)-1].AtNs)
	var s fillcalc.State
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
				r.find(Order, e.Seq, e.AtNs, "what was published on %s after event %d bears another time, %s", p.Measurement, e.Seq, clock(p.AtNs))
			}
			if err := compare(p.Fields, again(&s)); err != nil {
				if differ++; differ == 1 {
					first = difference{p.Measurement, e.Seq, e.AtNs, err}
				}
			}
		}
	}
	if differ > 0 {
		text := fmt.Sprintf("%s after event %d: %v", first.measurement, first.seq, first.err)
		if differ > 1 {
			text += fmt.Sprintf("; %d more messages differ after it", differ-1)
		}
		r.find(Differs, first.seq, first.atNs, "%s", text)
	}
	r.state = rec.Names.Named(s)
	if rec.Summary == nil {
		return
	}
	if err := compare(rec.Summary.Fields, points.Summary(&s, chain)); err != nil && r.Complete && broken == nil {
		r.find(Differs, s.Seq, s.NowNs, "the closing record: %v", err)
	}
	if fold, _ := rec.Summary.Fields["fold"].(int64); fold != fillcalc.FoldVersion && !r.Same {
		r.find(Version, 0, 0, "it was computed by version %d of the calculation, this program has %d: compute it again with that one", fold, fillcalc.FoldVersion)
	}
}

// difference is a published message that does not come out again.
type difference struct {
	measurement string
	seq         uint64 // of the event before it
	atNs        int64
	err         error
}

// compare returns nil when the fields that were kept are those that come out again,
// floats to the last bit. Otherwise the error names the first field that differs.
func compare(kept points.Fields, again points.Published) error {
	want, err := points.ParseFields(again.Fields)
	if err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(want)) {
		was, there := kept[name]
		comesOut := want[name]
		switch {
		case sameValue(was, comesOut):
		case !there && comesOut == "":
			// Flux does not tell an empty text from none.
		case !there:
			return fmt.Errorf("%s was not published, comes out as %v", name, comesOut)
		default:
			return fmt.Errorf("%s was published as %v, comes out as %v", name, was, comesOut)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(kept)) {
		if _, there := want[name]; !there && name != "chain" {
			return fmt.Errorf("%s was published as %v, does not come out", name, kept[name])
		}
	}
	return nil
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
