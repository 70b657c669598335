package cart

import (
	"bytes"
	"math"
	"slices"

	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

const (
	// Pace of the leaves volumes and window, and of the larger job. Events may be a
	// second and a half apart: eight seconds keep the contract's ten.
	fastestNs    = 200e6
	slowestNs    = 8e9
	fastestJobNs = 1e9
)

// restNs is how long volumes and window may rest when nothing in them changes: in a job
// they are a sign of life too; between jobs the presence is enough.
func restNs(s *fillcalc.State) int64 {
	if s.Job.Phase.Open() {
		return slowestNs
	}
	return math.MaxInt64
}

// idleLookNs is how often volumes, window and job are looked at between jobs, where nothing is
// poured: at each reading that took a tenth of the processor time.
const idleLookNs = 1e9

// idleWindowNs is the pace of the window between jobs, where nobody waits for a
// temperature.
const idleWindowNs = 60e9

// sameWindow reports whether the window need not be published again.
func (p *published) sameWindow(m *wire.Window, s *fillcalc.State) bool {
	ago := s.NowNs - p.windowNs
	if !s.Job.Phase.Open() && ago < idleWindowNs {
		return m.State == p.window.State && m.Quality == p.window.Quality
	}
	return ago < restNs(s) && m.SameWindow(&p.window, float64(ago)/1e9)
}

// published is what was last published, and when on the cart's clock.
type published struct {
	lookedNs  int64 // when it was last seen whether anything has changed
	volumes   wire.Volumes
	volumesNs int64
	window    wire.Window
	windowNs  int64
	pastC     []wire.Number // of the fluid, for the leaf window
	pastNs    int64         // when the newest was taken
	jobNs     int64
	jobDue    bool // the job has changed since
	// flow is what flowOf returned, and flowNs when it was last compared: computing it
	// is costly.
	flow   []byte
	flowNs int64
}

// publish renders the leaves that have changed, at their pace. What is published is
// noted in the same batch as the event that caused it.
func (c *Cart) publish() {
	s, p := &c.state, &c.published
	if !s.Job.Phase.Open() && s.NowNs-p.lookedNs < idleLookNs {
		return
	}
	p.lookedNs = s.NowNs
	if s.NowNs-p.volumesNs >= fastestNs {
		c.publishVolumes()
	}
	if s.NowNs-p.pastNs >= wire.PastEveryS*1e9 {
		p.pastNs = s.NowNs
		p.pastC = append(p.pastC[max(0, len(p.pastC)-wire.PastN+1):], wire.Number(s.CheckWindow().TempC))
	}
	if s.NowNs-p.windowNs >= fastestNs {
		c.publishWindow()
	}
	if s.NowNs-p.flowNs >= fastestJobNs {
		p.flowNs = s.NowNs
		p.jobDue = p.jobDue || !bytes.Equal(flowOf(s), p.flow)
	}
	if p.jobDue && s.NowNs-p.jobNs >= fastestJobNs {
		c.publishJob()
	}
}

// flowOf encodes what may change in a job with time alone: what is asked next, how a clear
// weighing turns out, and which troubles of the instruments are over.
func flowOf(s *fillcalc.State) []byte {
	return wire.Encode([]any{wire.FlowOf(s), s.Job.Clears, len(s.Job.Troubles)})
}

// publishVolumes publishes the volumes when they have changed or their time has come.
func (c *Cart) publishVolumes() {
	s, p := &c.state, &c.published
	m := wire.VolumesOf(s)
	if s.NowNs-p.volumesNs < restNs(s) && m.SameFill(&p.volumes) {
		return
	}
	p.volumes, p.volumesNs = m, s.NowNs
	c.watchJob()
	c.link.set(wire.VolumesLeaf, wire.Encode(m))
	c.backlog.batch.Note(points.OfVolumes(&m))
	p.jobDue = true
}

// publishWindow publishes the window when it has changed or its time has come.
func (c *Cart) publishWindow() {
	s, p := &c.state, &c.published
	m := wire.WindowOf(s)
	if m.State == p.window.State {
		m.Since = p.window.Since
	}
	m.PastC = slices.Clone(p.pastC)
	if p.sameWindow(&m, s) {
		return
	}
	p.jobDue = p.jobDue || !m.SameForecasts(&p.window)
	p.window, p.windowNs = m, s.NowNs
	c.link.set(wire.WindowLeaf, wire.Encode(m))
	c.backlog.batch.Note(points.OfWindow(&m, s.Seq))
}

// render renders volumes and window of a state at once, whatever their pace, and notes
// them in the batch of the event that leads to the state.
func (p *published) render(s *fillcalc.State, b *journal.Batch) {
	p.volumes, p.volumesNs = wire.VolumesOf(s), s.NowNs
	p.window, p.windowNs = wire.WindowOf(s), s.NowNs
	b.Note(points.OfVolumes(&p.volumes))
	b.Note(points.OfWindow(&p.window, s.Seq))
}

// publishAll publishes job, volumes and window as they were last rendered.
func (c *Cart) publishAll() {
	c.publishJob()
	c.link.set(wire.VolumesLeaf, wire.Encode(c.published.volumes))
	c.link.set(wire.WindowLeaf, wire.Encode(c.published.window))
}

// publishJob publishes the job with the names of people and vehicles in place of their
// tokens.
func (c *Cart) publishJob() {
	named := c.identities.Current.Named(c.state)
	m := wire.JobOf(&named)
	p := &c.published
	p.flow, p.flowNs = flowOf(&c.state), c.state.NowNs
	p.jobNs, p.jobDue = c.state.NowNs, false
	c.link.set(wire.JobLeaf, wire.Encode(m))
}
