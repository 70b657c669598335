package board

import (
	"reflect"
	"time"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// cart holds what was received from one cart.
type cart struct {
	presence leaf[wire.Presence]
	about    leaf[wire.About]
	volumes  leaf[wire.Volumes]
	window   leaf[wire.Window]
	job      leaf[wire.Job]
	alerts   leaf[wire.Alerts]
	choices  leaf[wire.Choices]

	beats      wire.Beats    // of the presence, on this connection
	session    string        // of the last birth seen on this connection
	unreadable wire.Leaf     // the leaf whose last message could not be read
	changed    chan struct{} // closed at the next change
}

func newCart() *cart {
	c := &cart{changed: make(chan struct{})}
	// Figures that were never received are unknown.
	forget(reflect.ValueOf(&c.volumes.message).Elem())
	forget(reflect.ValueOf(&c.window.message).Elem())
	forget(reflect.ValueOf(&c.job.message).Elem())
	return c
}

// size is the length of all messages that are kept.
func (c *cart) size() int {
	return len(c.presence.payload) + len(c.about.payload) + len(c.volumes.payload) + len(c.window.payload) +
		len(c.job.payload) + len(c.alerts.payload) + len(c.choices.payload)
}

// unwatch forgets the leaves that a board for all shops reads only while somebody looks.
func (c *cart) unwatch() {
	c.about, c.alerts, c.choices = leaf[wire.About]{}, leaf[wire.Alerts]{}, leaf[wire.Choices]{}
	c.window = leaf[wire.Window]{}
	forget(reflect.ValueOf(&c.window.message).Elem())
	c.wake()
}

// tone is the kind of what is to be done first.
func (c *cart) tone() fillcalc.Tone {
	m, j := &c.volumes.message, &c.job.message
	if next := j.Flow.Next; len(next) > 0 && j.Job == m.Job && j.Phase == m.Phase {
		return fillcalc.Tone(next[0].Tone)
	}
	return fillcalc.ToneWait
}

// standing says why the figures are not live, as the end of a key of the catalogue; it is
// empty while they are.
func (c *cart) standing(l link, now time.Time) string {
	p, volumes := &c.presence, &c.volumes
	switch {
	case !l.up:
		return "no_broker"
	case p.at.IsZero() && volumes.at.IsZero():
		return "not_heard"
	case !p.at.IsZero() && p.message.Contract != 0 && p.message.Contract != wire.ContractVersion:
		return "contract"
	case c.unreadable != "":
		return "unreadable"
	case !p.at.IsZero() && !p.message.Online:
		return "offline"
	case volumes.fresh(c, now):
		return ""
	case c.beats.At().IsZero() || !volumes.live:
		return "last_known"
	}
	return "silent"
}

// heard is when the cart last showed that it lives.
func (c *cart) heard() time.Time {
	if at := c.beats.At(); at.Before(c.volumes.at) || c.volumes.message.Idle() {
		return at
	}
	return c.volumes.at
}

// receive stores a message.
func (c *cart) receive(name wire.Leaf, payload []byte, retained bool, now time.Time) {
	var err error
	switch name {
	case wire.PresenceLeaf:
		before := c.presence
		if err = c.presence.take(payload, retained, now); err != nil {
			break
		}
		p := c.presence.message
		if !p.Online && !retained && c.session != "" && p.Session != c.session {
			c.presence = before // the late will of an old connection
			break
		}
		if p.Online {
			c.session = p.Session
		}
		c.beats.Take(&p, retained, now)
	case wire.AboutLeaf:
		err = c.about.take(payload, retained, now)
	case wire.VolumesLeaf:
		err = c.volumes.take(payload, retained, now)
	case wire.WindowLeaf:
		err = c.window.take(payload, retained, now)
	case wire.JobLeaf:
		err = c.job.take(payload, retained, now)
	case wire.AlertsLeaf:
		err = c.alerts.take(payload, retained, now)
	case wire.ChoicesLeaf:
		err = c.choices.take(payload, retained, now)
	default:
		return
	}
	if err != nil {
		c.unreadable = name
	} else if c.unreadable == name {
		c.unreadable = ""
	}
	c.wake()
}

// interrupted marks everything as not live until it is received again, because the board
// has lost or changed its connection.
func (c *cart) interrupted() {
	c.presence.live, c.volumes.live, c.window.live, c.job.live, c.alerts.live = false, false, false, false, false
	c.session, c.beats = "", wire.Beats{}
	c.wake()
}

func (c *cart) wake() {
	close(c.changed)
	c.changed = make(chan struct{})
}

// staleAfter is the age from which volumes and window of a job are no longer live. The
// bridge sends them at least every ten seconds.
const staleAfter = 15 * time.Second

// fresh reports whether a leaf of a live cart shows it as it is. Of an idle cart the last
// message is, however old.
func (l *leaf[M]) fresh(c *cart, now time.Time) bool {
	return c.beats.Live(now) && (c.volumes.message.Idle() || l.live && now.Sub(l.at) <= staleAfter)
}
