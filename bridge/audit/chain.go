package audit

import (
	"maps"
	"slices"

	"bayfill/bridge/points"
)

// chainBreak is where the chain breaks: after an event that is proved, and up to one
// that is not. Another finding in that range explains it.
type chainBreak struct {
	after, upTo uint64
	upToNs      int64
	atEnd       bool // only the head at the end differs
}

// tell adds the break to the findings.
func (r *Report) tell(b *chainBreak) {
	f := figures{"after": float64(b.after), "to": float64(b.upTo)}
	if b.atEnd {
		r.find(Altered, b.after, 0, "finding.chain_end", f, nil)
		return
	}
	r.find(Altered, b.after, 0, "finding.chain_breaks", f, labels{"moment": clock(b.upToNs)})
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
		r.find(Altered, 0, rec.Summary.AtNs, "finding.chain_from", nil, labels{"why": err.Error()})
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
				r.find(Added, seq, p.AtNs, "finding.not_of_this_job", own.with(seq), labels{"point": p.Measurement})
			}
		}
	}
	end := chain.Head.LinkPublished(points.JobMeasurement, own.to, rec.Summary.Fields)
	if rec.Summary.Fields[points.ChainField] != end.String() && broken == nil {
		broken = &chainBreak{after: good, upTo: own.to, atEnd: true}
	}
	return chain, broken
}
