package wire

import (
	"math"

	"bayfill/fillcalc"
)

// JobChange is weight that came or went at once, and what it was.
type JobChange struct {
	Change int    `json:"change"`
	At     string `json:"at"`
	Sensor string `json:"sensor"`
	Kg     Number `json:"kg"`
	UKg    Number `json:"u_kg"` // expanded, k = 2
	L      Number `json:"l"`    // if it was fluid, at the reference temperature
	Cause  string `json:"cause"`
	As     string `json:"as,omitempty"` // empty while it is undecided
	By     string `json:"by,omitempty"`
	// The first and the last change of a group that came and went together.
	First int `json:"first,omitempty"`
	Last  int `json:"last,omitempty"`
}

// JobQuestion asks what a change was, with the answers that are possible.
type JobQuestion struct {
	Change int    `json:"change"`
	At     string `json:"at"`
	Sensor string `json:"sensor"`
	Kg     Number `json:"kg"`
	L      Number `json:"l"` // if it was fluid, at the reference temperature
	Said
	Answers []string `json:"answers"`
	// The scale's signal around the change, for a picture: kg above what it showed before,
	// and the seconds between two points. When it is unknown, the list is empty.
	TraceKg    []Number `json:"trace_kg"`
	TraceStepS Number   `json:"trace_step_s"`
}

// JobClear is a clear weighing: somebody said that only the container and its fluid stand
// on a scale.
type JobClear struct {
	Sensor    string `json:"sensor"`
	At        string `json:"at"`
	By        string `json:"by,omitempty"`
	LiveKg    Number `json:"live_kg"`    // the account until then
	SettledKg Number `json:"settled_kg"` // the account by the weighing
}

// A job may have hundreds of changes and clear weighings. The message has the newest of
// each, at most so many and at most so many bytes of JSON.
const (
	maxChanges     = 100
	maxChangeBytes = 16 << 10
	maxClears      = 20
	maxClearBytes  = 4 << 10
)

// changesOf returns the newest of the job's changes, the oldest first, and how many it
// leaves out.
func changesOf(s *fillcalc.State) (list []JobChange, leftOut int) {
	return newest(s.Job.Changes, maxChanges, maxChangeBytes, func(c fillcalc.Change) JobChange {
		m := JobChange{Change: c.ID, At: Timestamp(c.AtNs), Sensor: c.Sensor, Kg: Number(c.Kg), UKg: Number(2 * math.Sqrt(c.U2)),
			L: Number(s.ChangeL(&c)), Cause: string(c.Cause), As: string(c.As), First: c.First, Last: c.Last}
		switch {
		case c.Said != "":
			m.By = c.By
		case c.As != "":
			m.By = fillcalc.BySignal
		}
		return m
	})
}

// questionsOf returns what the technician is asked about changes now, the oldest first.
func questionsOf(s *fillcalc.State) []JobQuestion {
	list := []JobQuestion{} // null is not an array
	for _, ask := range s.Next() {
		if ask.Do != fillcalc.DoAnswer {
			continue
		}
		c := &s.Job.Changes[ask.Change-1]
		q := JobQuestion{Change: c.ID, At: Timestamp(c.AtNs), Sensor: c.Sensor, Kg: Number(c.Kg), L: Number(s.ChangeL(c)), Said: Say(ask.Text), Answers: []string{}}
		for _, sc := range s.Setup.Scales {
			if sc.Sensor == c.Sensor {
				q.Answers = Answers(sc.Load, c.Kg)
			}
		}
		q.TraceKg, q.TraceStepS = traceOf(c)
		list = append(list, q)
	}
	return list
}

// traceOf returns the signal around a change, to the gram: a picture shows no more.
func traceOf(c *fillcalc.Change) (kg []Number, stepS Number) {
	if c.TraceS <= 0 {
		return []Number{}, Number(math.NaN()) // null is not an array
	}
	for _, above := range c.Trace {
		kg = append(kg, Number(math.Round(float64(above)*1000)/1000))
	}
	return kg, Number(c.TraceS)
}

// Answers lists what a change of a scale with this load may have been, the usual first.
func Answers(load fillcalc.Load, kg float64) []string {
	switch caddy, supply := load != fillcalc.SupplyLoad, load != fillcalc.CaddyLoad; {
	case kg > 0 && caddy:
		return textsOf(fillcalc.AsFluid, fillcalc.AsGone, fillcalc.AsThing, fillcalc.AsContainer)
	case kg < 0 && supply:
		return textsOf(fillcalc.AsFluid, fillcalc.AsGone, fillcalc.AsThing, fillcalc.AsContainer, fillcalc.AsBottle)
	}
	return textsOf(fillcalc.AsGone, fillcalc.AsThing, fillcalc.AsContainer)
}

// clearsOf returns the newest of the job's clear weighings, the oldest first, and how many
// it leaves out.
func clearsOf(s *fillcalc.State) (list []JobClear, leftOut int) {
	return newest(s.Job.Clears, maxClears, maxClearBytes, func(c fillcalc.Clear) JobClear {
		m := JobClear{Sensor: c.Sensor, At: Timestamp(c.AtNs), By: c.By, LiveKg: Number(c.LiveKg), SettledKg: Number(math.NaN())}
		if c.Settled {
			m.SettledKg = Number(c.SettledKg)
		}
		return m
	})
}
