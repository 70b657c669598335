package chart

import "time"

// TimeAxis maps times in nanoseconds since 1970 to x.
type TimeAxis struct {
	FromNs, ToNs  int64
	LeftX, RightX float64
	Zone          *time.Location // of the ticks; nil: UTC
}

// X returns the position of a time. A time beyond an end lies at that end.
func (a TimeAxis) X(ns int64) float64 {
	if a.ToNs <= a.FromNs {
		return a.LeftX
	}
	// As floats: forged times lie so far apart that an int64 cannot hold the difference.
	share := (float64(ns) - float64(a.FromNs)) / (float64(a.ToNs) - float64(a.FromNs))
	return a.LeftX + (a.RightX-a.LeftX)*min(1, max(0, share))
}

func (a TimeAxis) at(ns int64) time.Time {
	if a.Zone == nil {
		return time.Unix(0, ns).UTC()
	}
	return time.Unix(0, ns).In(a.Zone)
}

var timeSteps = [...]time.Duration{
	5 * time.Second, 10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute,
	5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour,
}

// Ticks returns at most maxTicks marks, at y 0: round times after the
// start of the axis and up to its end. Times that lie more than 292 years apart,
// the range of a [time.Duration], have no ticks.
func (a TimeAxis) Ticks(maxTicks int) (ticks []Mark) {
	whole := time.Duration(a.ToNs - a.FromNs)
	if a.ToNs <= a.FromNs || whole <= 0 || maxTicks < 1 {
		return nil
	}
	step := time.Hour
	for _, step = range timeSteps {
		if whole/step < time.Duration(maxTicks) {
			break
		}
	}
	for whole/step >= time.Duration(maxTicks) {
		step *= 2
	}
	layout := "15:04"
	if step < time.Minute {
		layout = "15:04:05"
	}
	// No time after ns overflows unnoticed: it would not be later than the start.
	for ns := (a.FromNs/int64(step) + 1) * int64(step); ns > a.FromNs && ns <= a.ToNs; ns += int64(step) {
		ticks = append(ticks, Mark{X: a.X(ns), Text: a.at(ns).Format(layout)})
	}
	return ticks
}
