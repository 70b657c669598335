package audit

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"time"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// FleetChart is a control chart of successive jobs or calibrations: individuals,
// moving ranges and the weighted average. Limits and rules come from the points alone;
// the means of older jobs are only shown beside them.
type FleetChart struct {
	// First is of how many points, the first ones, centre and limits come: the chart then
	// says whether something has moved since. 0: of all points.
	First  int
	Points []FleetPoint
	Older  []FleetMean
	Limits Individuals
	EWMA   EWMA
	Drift  Drift
}

// FleetPoint is one job, or one calibration. X is NaN when the job has no such figure.
type FleetPoint struct {
	AtNs     int64 // when the job ended, or the scale was calibrated
	Job      string
	Cart     string // with its shop
	X        float64
	NoTarget bool // X is a balance against what was drained
	Level    Level
	// Sensor, Fluid and CalibratedNs belong to what a job says about a scale: the scale,
	// the fluid where it matters, and when the cart's scales were calibrated last.
	Sensor, Fluid string
	CalibratedNs  int64
	Average       EWMAPoint
	Rules         []Rule // those that it signals
}

// Level says whether the check window was open when the level of a closed job was
// judged at the end. Reports and CSV show it as it is written here.
type Level string

const (
	InWindow Level = "in window"
	Outside  Level = "outside"
	Unjudged Level = "not judged"
)

// FleetMean is the mean of Jobs jobs that ended in [FromNs, ToNs).
type FleetMean struct {
	FromNs, ToNs int64
	Jobs         int64
	X            float64
}

// Drift says whether the weighted average is beyond its limits at the newest point.
type Drift struct {
	Direction Direction
	SinceNs   int64 // of the point at which the average left its limits
	Says      fillcalc.Text
}

// Words says it in English.
func (d Drift) Words() string { return words.Plain.Say(d.Says) }

// Direction is the side on which the average is beyond its limits.
type Direction string

const (
	NoDrift Direction = "" // within the limits, or too few values to tell
	Up      Direction = "up"
	Down    Direction = "down"
)

const (
	// With fewer values the limits say little. Common practice, no source.
	minValues = 10
	// NIST/SEMATECH e-Handbook, 6.3.2.4: usually 0.2 to 0.3 (from memory).
	fleetLambda = 0.2
)

// addNewest adds points and keeps the newest ones, in the order of their times.
func (c *FleetChart) addNewest(points []FleetPoint) {
	c.Points = append(c.Points, points...)
	slices.SortStableFunc(c.Points, func(a, b FleetPoint) int { return cmp.Compare(a.AtNs, b.AtNs) })
	c.Points = slices.Clone(c.Points[max(0, len(c.Points)-newestJobs):])
}

func (c *FleetChart) values() []float64 {
	x := make([]float64, len(c.Points))
	for i, p := range c.Points {
		x[i] = p.X
	}
	return x
}

// judge computes the limits, and the rules that each point signals.
func (c *FleetChart) judge() {
	x := c.values()
	c.Limits = NewIndividuals(x)
	c.EWMA = EWMA{Lambda: fleetLambda, Target: c.Limits.Mean, Sigma: c.Limits.Sigma}
	rules := RunRules(x, c.Limits.Mean, c.Limits.Sigma)
	if c.First > 0 {
		c.judgeByFirst(x)
		rules = make([][]Rule, len(x)) // they need a centre that is known better
	}
	averages, ranges := c.EWMA.Chart(x), c.Limits.MovingRanges()
	for i := range c.Points {
		p := &c.Points[i]
		p.Average = averages[i]
		if !c.Enough() || !isNumber(p.X) {
			continue
		}
		p.Rules = rules[i]
		if c.Limits.Sigma > 0 && ranges[i] > c.Limits.RangeUCL {
			p.Rules = append(p.Rules, RangeBeyond)
		}
		if p.Average.Beyond() != 0 {
			p.Rules = append(p.Rules, EWMABeyond)
		}
	}
	c.Drift = c.drift()
}

// judgeByFirst takes centre and limits from the first points, which must be known. Their
// standard deviation stands for that of all (NIST/SEMATECH e-Handbook, 6.3.2.4).
func (c *FleetChart) judgeByFirst(x []float64) {
	first := x[:min(c.First, len(x))]
	l, squares := NewIndividuals(first), 0.0
	for _, v := range first {
		squares += (v - l.Mean) * (v - l.Mean)
	}
	l.Sigma = math.Sqrt(squares / float64(len(first)-1))
	l.LCL, l.UCL = l.Mean-3*l.Sigma, l.Mean+3*l.Sigma
	l.N, l.movingRangeOf = c.Limits.N, c.Limits.movingRangeOf
	c.Limits = l
	c.EWMA = EWMA{Lambda: fillcalc.UseLambda, Target: l.Mean, Sigma: l.Sigma, TargetOf: c.First}
}

// IsZero reports whether there is nothing to draw.
func (c FleetChart) IsZero() bool { return c.Limits.N == 0 }

// Enough reports whether there are enough values for limits.
func (c *FleetChart) Enough() bool { return c.Limits.N >= max(minValues, c.First) }

// drift finds the newest run of averages beyond their limits on one side.
func (c *FleetChart) drift() Drift {
	if !c.Enough() {
		return Drift{Says: fillcalc.Text{Key: "drift.too_few", Figures: figures{"count": float64(c.Limits.N)}}}
	}
	var from, to *FleetPoint
	side, ended := 0, false
	for _, p := range slices.Backward(c.Points) {
		switch beyond := p.Average.Beyond(); {
		case !isNumber(p.X):
		case side == 0 && beyond != 0:
			side, from, to = beyond, &p, &p
		case side == 0:
			ended = true // newer averages are within their limits
		case beyond == side:
			from = &p
		default:
			return newDrift(side, ended, from, to)
		}
	}
	return newDrift(side, ended, from, to)
}

func newDrift(side int, ended bool, from, to *FleetPoint) Drift {
	if side == 0 {
		return Drift{Says: fillcalc.Text{Key: "drift.steady"}}
	}
	direction := Up
	if side < 0 {
		direction = Down
	}
	if ended {
		return Drift{Says: fillcalc.Text{Key: "drift.was", Names: labels{"direction": string(direction), "from_day": rfc3339(from.AtNs), "to_day": rfc3339(to.AtNs)}}}
	}
	key, job := "drift.up", "drift.up_job"
	if direction == Down {
		key, job = "drift.down", "drift.down_job"
	}
	says := fillcalc.Text{Key: key, Names: labels{"since_day": rfc3339(from.AtNs)}}
	if from.Job != "" {
		says.Key, says.Names["job"] = job, from.Job
	}
	return Drift{direction, from.AtNs, says}
}

// Signals returns the points that signal a rule, the newest first.
func (c *FleetChart) Signals() (signals []FleetPoint) {
	for _, p := range slices.Backward(c.Points) {
		if len(p.Rules) > 0 {
			signals = append(signals, p)
		}
	}
	return signals
}

// MarshalJSON writes the limits, the drift and the signals. Unknown figures are null.
func (c FleetChart) MarshalJSON() ([]byte, error) {
	figure := func(f float64) *float64 {
		if !isNumber(f) {
			return nil
		}
		return &f
	}
	type signal struct {
		At    time.Time `json:"at"`
		Job   string    `json:"job,omitempty"`
		Cart  string    `json:"cart"`
		X     float64   `json:"x"`
		Rules []Rule    `json:"rules"`
	}
	signals := []signal{}
	for _, p := range c.Signals() {
		signals = append(signals, signal{time.Unix(0, p.AtNs).UTC(), p.Job, p.Cart, p.X, p.Rules})
	}
	older := int64(0)
	for _, m := range c.Older {
		older += m.Jobs
	}
	var average *float64
	if n := len(c.Points); n > 0 {
		average = figure(c.Points[n-1].Average.Z)
	}
	lcl, ucl := c.EWMA.Limits()
	return json.Marshal(map[string]any{
		"n": c.Limits.N, "older": older, "mean": figure(c.Limits.Mean), "sigma": figure(c.Limits.Sigma),
		"lcl": figure(c.Limits.LCL), "ucl": figure(c.Limits.UCL), "range_ucl": figure(c.Limits.RangeUCL),
		"ewma": average, "ewma_lcl": figure(lcl), "ewma_ucl": figure(ucl),
		"drift": c.Drift.Direction, "drift_words": c.Drift.Words(), "signals": signals,
	})
}

func rfc3339(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339) }

// day formats a date in UTC.
func day(ns int64) string { return time.Unix(0, ns).UTC().Format("2006-01-02") }
