package bridge

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"bayfill/fillcalc"
)

const (
	// Pace of the leaves volumes and window, and of the bulkier job. Events may lie
	// a second and a half apart: eight seconds keep the contract's ten.
	fastestNs    = 200e6
	slowestNs    = 8e9
	fastestJobNs = 1e9
)

// publish renders the leaves that have changed, at their pace. What goes out is
// noted in the same batch as the event that caused it.
func (c *cart) publish() {
	s := &c.state
	if due := s.NowNs - c.volumesAtNs; due >= fastestNs {
		m := volumesMessage(s)
		if due >= slowestNs || !m.sameFill(&c.lastVolumes) {
			c.lastVolumes, c.volumesAtNs = m, s.NowNs
			c.watchJob()
			c.link.set(VolumesLeaf, encode(m))
			c.unsaved.note(m.published())
			c.jobDue = true
		}
	}
	if due := s.NowNs - c.windowAtNs; due >= fastestNs {
		m := windowMessage(s)
		if m.State == c.lastWindow.State {
			m.Since = c.lastWindow.Since
		}
		if due >= slowestNs || !m.sameWindow(&c.lastWindow, float64(due)/1e9) {
			c.jobDue = c.jobDue || !m.sameForetold(&c.lastWindow)
			c.lastWindow, c.windowAtNs = m, s.NowNs
			c.link.set(WindowLeaf, encode(m))
			c.unsaved.note(m.published(s.Seq))
		}
	}
	if s.NowNs-c.flowAtNs >= fastestJobNs {
		// What is asked next may change by time alone.
		c.flowAtNs = s.NowNs
		c.jobDue = c.jobDue || !bytes.Equal(encode(flowMessage(s)), c.lastFlow)
	}
	if c.jobDue && s.NowNs-c.jobAtNs >= fastestJobNs {
		c.sendJob()
	}
}

// note keeps the newest of what was published after one event.
func (b *Batch) note(p Published) {
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

// showAll renders volumes and window now, whatever their pace, and notes them
// beside the event that led to the state.
func (c *cart) showAll(s *fillcalc.State, b *Batch) {
	c.lastVolumes, c.volumesAtNs = volumesMessage(s), s.NowNs
	c.lastWindow, c.windowAtNs = windowMessage(s), s.NowNs
	b.note(c.lastVolumes.published())
	b.note(c.lastWindow.published(s.Seq))
}

// sendAll hands the newest of every leaf to the link.
func (c *cart) sendAll() {
	c.sendJob()
	c.link.set(VolumesLeaf, encode(c.lastVolumes))
	c.link.set(WindowLeaf, encode(c.lastWindow))
}

func (c *cart) sendJob() {
	named := c.identities.current.Named(c.state)
	m := jobMessage(&named)
	c.lastFlow, c.flowAtNs = encode(m.Flow), c.state.NowNs
	c.jobAtNs, c.jobDue = c.state.NowNs, false
	c.link.set(JobLeaf, encode(m))
}

// alert raises, changes or (with an empty text) ends an alert. A text may hold a
// whole page that a proxy sent: the beginning is enough.
func (c *cart) alert(kind, text string) {
	text = fmt.Sprintf("%.500s", text)
	old, raised := c.alerts[kind]
	if text == "" && !raised || text == old.Text {
		return
	}
	if text == "" {
		delete(c.alerts, kind)
		c.log.Info("alert over", "kind", kind)
	} else {
		since := old.Since
		if !raised {
			since = timestamp(c.clock.NowNs())
			c.log.Warn("alert", "kind", kind, "text", text)
		}
		c.alerts[kind] = Alert{Kind: kind, Since: since, Text: text}
	}
	c.link.set(AlertsLeaf, encode(c.alertsMessage()))
}

func (c *cart) alertsMessage() AlertsMessage {
	m := AlertsMessage{TS: timestamp(c.clock.NowNs()), Alerts: []Alert{}}
	for _, a := range c.alerts {
		m.Alerts = append(m.Alerts, a)
	}
	slices.SortFunc(m.Alerts, func(a, b Alert) int { return strings.Compare(a.Kind, b.Kind) })
	return m
}

func (c *cart) about() About {
	a := About{Program: "bayfill", Version: Version, Contract: ContractVersion,
		Leaves:   []Leaf{PresenceLeaf, AboutLeaf, VolumesLeaf, WindowLeaf, JobLeaf, AlertsLeaf, ReadingsLeaf},
		Measured: []AboutFluid{},
		Units:    "SI; the unit stands in each field's name; litres are at reference_c"}
	for _, f := range c.state.Measured {
		a.Measured = append(a.Measured, AboutFluid{f.Name, number(f.DensityKgM3), number(f.AtC), number(100 * f.DensityU)})
	}
	for i := range c.config.Sensors {
		s := &c.config.Sensors[i]
		a.Sensors = append(a.Sensors, AboutSensor{s.Name, s.Role, s.quantity().String(), s.Protocol})
	}
	return a
}
