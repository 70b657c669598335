package audit

import (
	"cmp"
	"slices"
	"strings"

	"bayfill/fillcalc"
)

// trouble is a time in which an instrument that counted was silent, or said itself
// that something was wrong.
type trouble struct {
	sensor       string
	faults       fillcalc.Faults // what it said; none when it was silent
	fromNs, toNs int64
}

func (t *trouble) silent() bool { return t.faults == 0 }

// text is the trouble without its times, with the sensor as the subject.
func (t *trouble) text() string {
	if t.silent() {
		return t.sensor + " was not heard"
	}
	return t.sensor + " said " + strings.Join(t.faults.Names(), ", ")
}

const (
	// How long the fold waits for a scale and for a probe: fillcalc/scale.go and
	// fillcalc/probe.go.
	maxScaleSilenceNs = 3e9
	maxProbeSilenceNs = 10.5e9
	// Faults that an instrument reports itself. A damaged frame between good ones hides
	// nothing, and is no trouble.
	reportedFaults = fillcalc.FaultOverload | fillcalc.FaultUnderload | fillcalc.FaultSensor | fillcalc.FaultUnit | fillcalc.FaultNoUnit
)

// watched is an instrument while its values are followed through the job.
type watched struct {
	sensor       string
	counts       func(fillcalc.Phase) bool
	maxSilenceNs int64
	sinceNs      int64 // its last value, or when it began to count; 0 while it does not count
	lasts        int   // index in the list, plus 1, of the fault that lasts; 0: none
}

// troubles folds the job again and lists the troubles in order of time. A scale
// counts as it does in the fold, the probe while the level is checked. Whether the
// temperature was known at the moment when the level was judged is a matter of the
// rule for the level.
func (r *Report) troubles() (list []trouble) {
	var instruments []watched
	var s fillcalc.State
	for i := range r.events {
		e := &r.events[i]
		s = fillcalc.Apply(s, *e)
		if e.Input != nil && e.Input.Setup != nil {
			instruments = watch(instruments, &s.Setup)
		}
		for k := range instruments {
			w := &instruments[k]
			own := e.Kind != fillcalc.KindInput && e.Sensor == w.sensor
			hasValue := own && !e.Faults.Hidden()
			counts := w.counts(s.Job.Phase)
			if w.sinceNs != 0 && (hasValue || !counts || i == len(r.events)-1) && e.AtNs-w.sinceNs > w.maxSilenceNs {
				list = append(list, trouble{sensor: w.sensor, fromNs: w.sinceNs, toNs: e.AtNs})
			}
			switch {
			case !counts:
				w.sinceNs, w.lasts = 0, 0
			case hasValue || w.sinceNs == 0:
				w.sinceNs = e.AtNs
			}
			if own && counts {
				list = w.report(list, e)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b trouble) int { return cmp.Compare(a.fromNs, b.fromNs) })
	return list
}

// report adds the faults of a frame to the list. The same faults in successive frames
// are one trouble.
func (w *watched) report(list []trouble, e *fillcalc.Event) []trouble {
	faults := e.Faults & reportedFaults
	switch {
	case faults == 0:
		w.lasts = 0
	case w.lasts != 0 && list[w.lasts-1].faults == faults:
		list[w.lasts-1].toNs = e.AtNs
	default:
		list = append(list, trouble{w.sensor, faults, e.AtNs, e.AtNs})
		w.lasts = len(list)
	}
	return list
}

// watch returns the instruments of a setup. One that was there before keeps the time
// of its last value.
func watch(before []watched, setup *fillcalc.Setup) (now []watched) {
	for _, sc := range setup.Scales {
		now = append(now, watched{sensor: sc.Sensor, maxSilenceNs: maxScaleSilenceNs, counts: func(p fillcalc.Phase) bool {
			emptying := p == fillcalc.Draining || p == fillcalc.Service
			return p.Open() && p != fillcalc.Ready && (sc.Load != fillcalc.SupplyLoad || !emptying)
		}})
	}
	if p, _ := windowProbe(setup); p.Sensor != "" {
		now = append(now, watched{sensor: p.Sensor, maxSilenceNs: maxProbeSilenceNs, counts: func(p fillcalc.Phase) bool { return p == fillcalc.Checking }})
	}
	for i := range now {
		for _, b := range before {
			if b.sensor == now[i].sensor {
				now[i].sinceNs = b.sinceNs
			}
		}
	}
	return now
}
