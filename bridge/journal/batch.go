package journal

import (
	"slices"

	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// LinkChain continues the chain c over the batch's events and over what was published after
// each of them, and writes the head at its event into each volume point. The job's
// summary is not part of the chain, since it holds the chain.
func (b *Batch) LinkChain(c points.Chain) {
	b.Published = slices.Clone(b.Published) // after a failed Append the chain is added again
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
				panic("journal: published fields cannot be read back: " + err.Error()) // package points wrote them
			}
			c.Head = c.Head.LinkPublished(point.Measurement, point.Seq, f)
			if point.Measurement == points.VolumeMeasurement {
				point.Fields += "," + points.ChainField + `="` + atEvent.Short() + `"`
			}
		}
	}
	b.Chain = c
}

// Note adds what was published after an event. It replaces an earlier message of the
// same measurement after the same event.
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
