package journal

import (
	"slices"

	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// seal gives a batch the chain with its events and what was published after each,
// and its volume points what the head was at theirs. The job's summary is no part
// of the chain: it holds it.
func (b *Batch) Seal(c points.Chain) {
	b.Published = slices.Clone(b.Published) // a batch that failed is sealed again
	p := 0
	for i := range b.Events {
		e := &b.Events[i]
		if e.Input != nil && e.Input.Do == fillcalc.DoOpen {
			c.JobHead, c.JobSeq = c.Head, e.Seq
		}
		c.Head = c.Head.Link(e)
		atEvent := c.Head
		for ; p < len(b.Published) && b.Published[p].Seq <= e.Seq; p++ {
			point := &b.Published[p]
			f, err := points.ParseFields(point.Fields)
			if err != nil {
				panic("bridge: what was published cannot be read back: " + err.Error()) // numbers, names and words
			}
			c.Head = c.Head.LinkPublished(point.Measurement, point.Seq, f)
			if point.Measurement == points.VolumeMeasurement {
				point.Fields += "," + points.ChainField + `="` + atEvent.Seal() + `"`
			}
		}
	}
	b.Chain = c
}

// Note keeps the newest of what was published after one event.
func (b *Batch) Note(p points.Published) {
	if n := len(b.Published); n > 0 {
		for i := n - 1; i >= 0 && b.Published[i].Seq == p.Seq; i-- {
			if b.Published[i].Measurement == p.Measurement {
				b.Published[i] = p
				return
			}
		}
	}
	b.Published = append(b.Published, p)
}
