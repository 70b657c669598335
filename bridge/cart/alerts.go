package cart

import (
	"slices"
	"strings"
	"time"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// alert raises or changes an alert, or ends it when its text is empty. Its kind follows
// from code and sensor unless it is given.
func (c *Cart) alert(a wire.Alert) {
	if a.Kind == "" {
		a.Kind = string(a.Code)
		if a.Sensor != "" {
			a.Kind += ":" + a.Sensor
		}
	}
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

// alertsMessage returns the message of the leaf alerts.
func (c *Cart) alertsMessage() wire.Alerts {
	m := wire.Alerts{TS: wire.Timestamp(c.clock.NowNs()), Alerts: []wire.Alert{}}
	for _, a := range c.alerts {
		m.Alerts = append(m.Alerts, a)
	}
	slices.SortFunc(m.Alerts, func(a, b wire.Alert) int { return strings.Compare(a.Kind, b.Kind) })
	return m
}

// reporter returns a function through which one other goroutine reports the text of an
// alert, zero when it is over. The function drops a text that has not changed. It waits up to a second for
// room in the inbox, since a link reports only once that it is connected again; no
// longer, since the loop may have ended.
func (c *Cart) reporter(code wire.AlertCode) func(fillcalc.Text) {
	last := ""
	return func(t fillcalc.Text) {
		said := wire.Say(t)
		if said.Text == last {
			return
		}
		select {
		case c.inbox <- report{alert: &wire.Alert{Code: code, Said: said}}:
			last = said.Text
			c.fill()
		case <-time.After(time.Second):
		}
	}
}
