package history

import (
	"maps"

	"bayfill/bridge/config"
	"bayfill/bridge/points"
	"bayfill/fillcalc"
)

// Selection decides what of a journal becomes points of the history: all of a job, from
// its opening to what was published after its end, and of the rest what the
// configuration says. The zero value keeps all. It must see the events in their order.
type Selection struct {
	Between config.BetweenJobs
	InJob   bool             // after the last event that it has seen
	minutes map[string]int64 // in which a sensor or measurement was kept last
}

// clone returns a copy that goes on by itself.
func (s *Selection) clone() Selection {
	c := *s
	c.minutes = maps.Clone(s.minutes)
	return c
}

// event reports whether an event is kept, and whether everything is that was published
// after it.
func (s *Selection) event(e *fillcalc.Event) (kept, whole bool) {
	do := fillcalc.Do("")
	if e.Kind == fillcalc.KindInput {
		do = e.Input.Do
	}
	s.InJob = s.InJob || do == fillcalc.DoOpen
	whole = s.InJob || s.Between == config.KeepAll || s.Between == ""
	if do == fillcalc.DoClose || do == fillcalc.DoAbandon {
		s.InJob = false
	}
	switch {
	case whole:
		return true, true
	case e.Kind == fillcalc.KindInput:
		return do != fillcalc.DoTick, false
	}
	return s.minute(e.Sensor, e.AtNs), false
}

// published reports whether a message is kept that was published between jobs.
func (s *Selection) published(measurement string, atNs int64) bool {
	return measurement == points.JobMeasurement || s.minute(measurement, atNs)
}

// minute reports whether something is the first of its name in its minute, and is kept
// for that.
func (s *Selection) minute(name string, atNs int64) bool {
	const minuteNs = 60e9
	if s.Between != config.KeepMinute || s.minutes[name] == atNs/minuteNs {
		return false
	}
	if s.minutes == nil {
		s.minutes = map[string]int64{}
	}
	s.minutes[name] = atNs / minuteNs
	return true
}
