package audit

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// seqs is a range of event numbers, both ends included.
type seqs struct{ from, to uint64 }

// extent finds the range of events that belong to the job.
func (r *Report) extent(rec *Record, trust *Trust) (own seqs) {
	if rec.Summary != nil {
		from, _ := rec.Summary.Fields["seq_from"].(int64)
		to, _ := rec.Summary.Fields["seq"].(int64)
		if from < 1 || to < from {
			r.find(Altered, 0, rec.Summary.AtNs, "finding.extent", figures{"from": float64(from), "to": float64(to)}, nil)
			return own
		}
		return seqs{uint64(from), uint64(to)}
	}
	var openedNs int64
	later := false // another job was opened
	for i := range r.events {
		e := &r.events[i]
		if e.Input == nil {
			continue
		}
		switch e.Input.Do {
		case fillcalc.DoOpen:
			switch {
			case own.from != 0:
				later = true
			case e.Input.Job != nil && e.Input.Job.ID == r.Job:
				own.from, openedNs = e.Seq, e.AtNs
			}
		case fillcalc.DoClose, fillcalc.DoAbandon:
			if own.from != 0 && own.to == 0 {
				own.to = e.Seq
			}
		}
	}
	n := len(r.events)
	switch {
	case own.to != 0:
		r.find(NoSummary, own.to, 0, "finding.no_record", nil, nil)
		return own
	case n == 0:
		return own
	}
	last := &r.events[n-1]
	own.to = last.Seq
	switch {
	case later:
		r.find(NotEnded, own.to, last.AtNs, "finding.not_ended_later", nil, nil)
	case trust.closedSince(openedNs):
		r.find(NotEnded, own.to, last.AtNs, "finding.not_ended_copy", nil, nil)
	case rec.NewestSeq > own.to:
		r.find(NotEnded, own.to, last.AtNs, "finding.not_ended_cut", figures{"newest": float64(rec.NewestSeq)}, nil)
	default:
		r.find(Open, own.to, last.AtNs, "finding.open", nil, labels{"moment": clock(last.AtNs)})
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
			r.find(Added, e.Seq, e.AtNs, "finding.not_of_this_job", own.with(e.Seq), labels{"point": what(&e)})
			continue
		case e.Seq < next:
			r.find(Added, e.Seq, e.AtNs, "finding.twice", figures{"number": float64(e.Seq)}, labels{"point": what(&e)})
			continue
		case e.Seq > next && !continues(&e, next-1):
			missing = append(missing, seqs{next, e.Seq - 1})
		}
		if n := len(kept); n > 0 && e.AtNs <= kept[n-1].AtNs {
			r.find(Order, e.Seq, e.AtNs, "finding.not_later", figures{"number": float64(e.Seq), "before": float64(kept[n-1].Seq)},
				labels{"point": what(&e), "other": what(&kept[n-1]), "moment": clock(kept[n-1].AtNs)})
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
			r.find(Missing, gap.from, 0, "finding.missing_more", figures{"count": float64(left), "places": float64(len(missing) - n)}, nil)
			break
		}
		i, _ := slices.BinarySearchFunc(kept, gap.to, func(e fillcalc.Event, seq uint64) int { return cmp.Compare(e.Seq, seq) })
		r.find(Missing, gap.from, kept[i].AtNs, "finding.missing", gap.with(0), labels{"moment": clock(kept[i].AtNs), "whose": r.whose(gap)})
	}
	if len(kept) > 0 && own.to >= next {
		last := &kept[len(kept)-1]
		end := seqs{next, own.to}
		r.find(Missing, next, last.AtNs, "finding.missing_end", end.with(0), labels{"moment": clock(last.AtNs)})
	}
	if len(kept) == 0 && own.to != 0 {
		r.find(Missing, own.from, 0, "finding.missing_all", own.with(0), nil)
	}
}

// with returns the figures of the range and of one event, as findings mention them.
func (s seqs) with(number uint64) figures {
	return figures{"from": float64(s.from), "to": float64(s.to), "count": float64(s.to - s.from + 1), "number": float64(number)}
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
			parts = append(parts, fmt.Sprintf("%s: %d", sensor, after[sensor]-b-1))
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
			r.find(Missing, own.from, r.events[0].AtNs, "finding.silent_sensor", nil, labels{"sensor": name})
		}
	}
}

// what names an event by its measurement and its command or sensor.
func what(e *fillcalc.Event) string {
	if e.Input != nil {
		return points.InputMeasurement + " " + string(e.Input.Do)
	}
	return points.ReadingMeasurement + " " + e.Sensor
}
