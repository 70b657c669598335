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
			c.jobDue = c.jobDue || !m.SameForecasts(&c.lastWindow)
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

// alert raises or changes an alert, or ends it if its text is empty. Its kind
// follows from code and sensor unless it is given. A text may hold a whole page that
// a proxy sent: the beginning is enough.
func (c *Cart) alert(a wire.Alert) {
	if a.Kind == "" {
		a.Kind = string(a.Code)
		if a.Sensor != "" {
			a.Kind += ":" + a.Sensor
		}
	}
	a.Text = fmt.Sprintf("%.500s", a.Text)
	old, raised := c.alerts[a.Kind]
	switch {
	case a.Text == "" && !raised, a.Text == old.Text:
		return
	case a.Text == "":
		delete(c.alerts, a.Kind)
		c.log.Info("alert over", "kind", a.Kind)
	default:
		a.Since = old.Since
		if !raised {
			a.Since = wire.Timestamp(c.clock.NowNs())
			c.log.Warn("alert", "kind", a.Kind, "text", a.Text)
		}
		c.alerts[a.Kind] = a
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

// reporter returns a function by which another goroutine hands the text of an alert
// to the cart when it has changed. It waits for a cart with a full inbox, since a
// link reports only once that it is back; but not for ever, since the cart may have
// ended.
func (c *Cart) reporter(code wire.AlertCode) func(text string) {
	last := ""
	return func(text string) {
		if text == last {
			return
		}
		select {
		case c.inbox <- happening{alert: wire.Alert{Code: code, Text: text}}:
			last = text
		case <-time.After(time.Second):
		}
	}
}
