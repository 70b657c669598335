package cart

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
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
func (c *Cart) publish() {
	s := &c.state
	if due := s.NowNs - c.volumesAtNs; due >= fastestNs {
		m := wire.VolumesOf(s)
		if due >= slowestNs || !m.SameFill(&c.lastVolumes) {
			c.lastVolumes, c.volumesAtNs = m, s.NowNs
			c.watchJob()
			c.link.set(wire.VolumesLeaf, wire.Encode(m))
			c.unsaved.Note(points.OfVolumes(&m))
			c.jobDue = true
		}
	}
	if due := s.NowNs - c.windowAtNs; due >= fastestNs {
		m := wire.WindowOf(s)
		if m.State == c.lastWindow.State {
			m.Since = c.lastWindow.Since
		}
		if due >= slowestNs || !m.SameWindow(&c.lastWindow, float64(due)/1e9) {
			c.jobDue = c.jobDue || !m.SameForetold(&c.lastWindow)
			c.lastWindow, c.windowAtNs = m, s.NowNs
			c.link.set(wire.WindowLeaf, wire.Encode(m))
			c.unsaved.Note(points.OfWindow(&m, s.Seq))
		}
	}
	if s.NowNs-c.flowAtNs >= fastestJobNs {
		// What is asked next may change by time alone.
		c.flowAtNs = s.NowNs
		c.jobDue = c.jobDue || !bytes.Equal(wire.Encode(wire.FlowOf(s)), c.lastFlow)
	}
	if c.jobDue && s.NowNs-c.jobAtNs >= fastestJobNs {
		c.sendJob()
	}
}

// showAll renders volumes and window now, whatever their pace, and notes them
// beside the event that led to the state.
func (c *Cart) showAll(s *fillcalc.State, b *journal.Batch) {
	c.lastVolumes, c.volumesAtNs = wire.VolumesOf(s), s.NowNs
	c.lastWindow, c.windowAtNs = wire.WindowOf(s), s.NowNs
	b.Note(points.OfVolumes(&c.lastVolumes))
	b.Note(points.OfWindow(&c.lastWindow, s.Seq))
}

// sendAll hands the newest of every leaf to the link.
func (c *Cart) sendAll() {
	c.sendJob()
	c.link.set(wire.VolumesLeaf, wire.Encode(c.lastVolumes))
	c.link.set(wire.WindowLeaf, wire.Encode(c.lastWindow))
}

func (c *Cart) sendJob() {
	named := c.identities.Current.Named(c.state)
	m := wire.JobOf(&named)
	c.lastFlow, c.flowAtNs = wire.Encode(m.Flow), c.state.NowNs
	c.jobAtNs, c.jobDue = c.state.NowNs, false
	c.link.set(wire.JobLeaf, wire.Encode(m))
}

// alert raises, changes or (with an empty text) ends an alert. A text may hold a
// whole page that a proxy sent: the beginning is enough.
func (c *Cart) alert(kind, text string) {
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
			since = wire.Timestamp(c.clock.NowNs())
			c.log.Warn("alert", "kind", kind, "text", text)
		}
		c.alerts[kind] = wire.Alert{Kind: kind, Since: since, Text: text}
	}
	c.link.set(wire.AlertsLeaf, wire.Encode(c.alertsMessage()))
}

func (c *Cart) alertsMessage() wire.Alerts {
	m := wire.Alerts{TS: wire.Timestamp(c.clock.NowNs()), Alerts: []wire.Alert{}}
	for _, a := range c.alerts {
		m.Alerts = append(m.Alerts, a)
	}
	slices.SortFunc(m.Alerts, func(a, b wire.Alert) int { return strings.Compare(a.Kind, b.Kind) })
	return m
}

func (c *Cart) about() wire.About {
	a := wire.About{Program: "bayfill", Version: wire.Version, Contract: wire.ContractVersion,
		Leaves:   []wire.Leaf{wire.PresenceLeaf, wire.AboutLeaf, wire.VolumesLeaf, wire.WindowLeaf, wire.JobLeaf, wire.AlertsLeaf, wire.ReadingsLeaf},
		Measured: []wire.AboutFluid{},
		Units:    "SI; the unit stands in each field's name; litres are at reference_c"}
	for _, f := range c.state.Measured {
		a.Measured = append(a.Measured, wire.AboutFluid{Name: f.Name, DensityKgM3: wire.Number(f.DensityKgM3), AtC: wire.Number(f.AtC), UPct: wire.Number(100 * f.DensityU)})
	}
	for i := range c.config.Sensors {
		s := &c.config.Sensors[i]
		a.Sensors = append(a.Sensors, wire.AboutSensor{Name: s.Name, Role: s.Role, Quantity: s.Quantity().String(), Protocol: s.Protocol})
	}
	return a
}

// tell hands an alert's text to the cart from another goroutine, when it has
// changed. It waits for a cart with a full inbox, since a link that has come
// back says so only once; but not for ever, since the cart may have ended.
func (c *Cart) tell(kind string) func(text string) {
	last := ""
	return func(text string) {
		if text == last {
			return
		}
		select {
		case c.inbox <- happening{alert: kind, text: text}:
			last = text
		case <-time.After(time.Second):
		}
	}
}
