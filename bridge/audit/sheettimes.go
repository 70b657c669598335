package audit

import (
	"time"

	"bayfill/bridge/words"
)

// times prints the times of a sheet in the reader's zone, with UTC beside it where that says
// more.
type times struct{ zone *time.Location }

func timesOf(r words.Reader) times {
	if r.Zone == nil {
		return times{time.Local}
	}
	return times{r.Zone}
}

func (t times) at(i instant) time.Time { return time.Unix(0, int64(i)).In(t.zone) }

// Full is a time with its zone, and the same in UTC.
func (t times) Full(i instant) string {
	if i == 0 {
		return "–"
	}
	local, utc := t.at(i), t.at(i).UTC()
	text := local.Format("2006-01-02 15:04:05 MST")
	switch {
	case isUTC(local):
	case local.Format(time.DateOnly) == utc.Format(time.DateOnly):
		text += utc.Format(" (15:04:05 UTC)")
	default:
		text += utc.Format(" (2006-01-02 15:04:05 UTC)")
	}
	return text
}

func (t times) Day(i instant) string {
	if i == 0 {
		return "–"
	}
	return t.at(i).Format(time.DateOnly)
}

func (t times) Clock(i instant) string {
	if i == 0 {
		return "–"
	}
	return t.at(i).Format("15:04:05")
}

// Zone names the zone at a time, with its distance from UTC.
func (t times) Zone(i instant) string {
	if isUTC(t.at(i)) {
		return "UTC"
	}
	return t.at(i).Format("MST, UTC-07:00")
}

// isUTC reports whether a time is in UTC, also on a computer whose own zone that is.
func isUTC(at time.Time) bool {
	name, _ := at.Zone()
	return name == "UTC"
}
