package study

import (
	"math"
	"slices"
)

// Volume describes the errors of one volume over all jobs.
type Volume struct {
	BiasPct      float64 `json:"bias_pct"`          // mean error as a share of the true volume (for the balance: of the drained volume)
	SdML         float64 `json:"sd_ml"`             // standard deviation of the error
	P95ML        float64 `json:"p95_abs_ml"`        // 95 % of the absolute errors are at most this
	P95On4LML    float64 `json:"p95_abs_4l_ml"`     // the same, with each error scaled to a volume of 4 L
	CoveragePct  float64 `json:"coverage_pct"`      // share of errors within their expanded uncertainty
	ManualP95ML  float64 `json:"manual_p95_abs_ml"` // the same for jug and bottles
	ManualOn4LML float64 `json:"manual_p95_abs_4l_ml"`
	Ratio        float64 `json:"ratio"` // ManualP95ML / P95ML
	MedianUML    float64 `json:"median_u_ml"`
	WorstML      float64 `json:"worst_ml"` // largest absolute error
}

// Figures are the results of a study.
type Figures struct {
	Jobs        int     `json:"jobs"`
	Seed        uint64  `json:"seed"`
	Drained     Volume  `json:"drained"`
	Added       Volume  `json:"added"`
	Balance     Volume  `json:"balance"`
	AskedPerJob float64 `json:"asked_per_job"`
	ClearPct    float64 `json:"asked_clear_pct"`    // of the questions: one thing explains it, whoever looks can answer
	NeededP50S  float64 `json:"asked_needed_p50_s"` // median time from a question until the job is closed
	Moves       int     `json:"moves"`              // changes of load other than fluid
	Streams     int     `json:"streams"`
	NotClosed   int     `json:"not_closed"`   // jobs that could be closed only with a reason
	Gross       int     `json:"gross"`        // jobs with a volume whose error is larger than 2 U + 10 mL
	GrossSilent int     `json:"gross_silent"` // of them: nothing was asked, undecided or alerted, and no scale was silent
	LiveP50ML   float64 `json:"live_p50_ml"`  // median of the absolute errors of the live added volume, at 0.03 to 0.07 kg/s
	LiveP95ML   float64 `json:"live_p95_ml"`
	BehindP50S  float64 `json:"live_behind_p50_s"` // median of how late the live figure is
	BackPerJob  float64 `json:"live_back_per_job"` // how often it fell by more than its uncertainty
}

// Summarize computes the figures of the jobs, of which there must be at least one.
func Summarize(jobs []Job, seed uint64) Figures {
	f := Figures{Jobs: len(jobs), Seed: seed}
	asked, clearly := 0, 0
	var live, behind, needed []float64
	back := 0
	for _, j := range jobs {
		live = append(live, j.LiveML...)
		behind = append(behind, j.BehindS...)
		back += j.Back
		if j.Gross() {
			f.Gross++
		}
		if j.Silent() {
			f.GrossSilent++
		}
		f.Moves += j.Counts.Moves
		f.Streams += j.Counts.Streams
		asked += j.Counts.Asked
		clearly += j.Counts.Clear
		needed = append(needed, j.Counts.NeededS...)
		if j.Refused != "" {
			f.NotClosed++
		}
	}
	f.AskedPerJob = float64(asked) / float64(len(jobs))
	if asked > 0 && len(needed) > 0 {
		f.ClearPct, f.NeededP50S = 100*float64(clearly)/float64(asked), quantile(needed, 0.5)
	}
	f.BackPerJob = float64(back) / float64(len(jobs))
	if len(live) > 0 {
		f.LiveP50ML, f.LiveP95ML = quantile(live, 0.5), quantile(live, 0.95)
		f.BehindP50S = quantile(behind, 0.5)
	}
	f.Drained = summarize(jobs, func(j *Job) Figure { return j.Drained })
	f.Added = summarize(jobs, func(j *Job) Figure { return j.Added })
	f.Balance = summarize(jobs, func(j *Job) Figure { return j.Balance })
	return f
}

func summarize(jobs []Job, of func(*Job) Figure) Volume {
	var v Volume
	n := float64(len(jobs))
	var errorsML, on4L, manualML, manualOn4L, uML []float64
	for i := range jobs {
		j := &jobs[i]
		f, wholeL := of(j), of(j).wholeL
		e := 1000 * f.ErrorL()
		m := 1000 * (f.ManualL - f.TrueL)
		v.BiasPct += e / 1000 / wholeL * 100 / n
		errorsML = append(errorsML, e)
		on4L = append(on4L, math.Abs(e*4/wholeL))
		manualML = append(manualML, math.Abs(m))
		manualOn4L = append(manualOn4L, math.Abs(m*4/wholeL))
		uML = append(uML, 1000*f.UL)
		if math.Abs(f.ErrorL()) <= f.UL {
			v.CoveragePct += 100 / n
		}
	}
	v.SdML = deviation(errorsML)
	for i := range errorsML {
		errorsML[i] = math.Abs(errorsML[i])
	}
	v.P95ML, v.P95On4LML = quantile(errorsML, 0.95), quantile(on4L, 0.95)
	v.ManualP95ML, v.ManualOn4LML = quantile(manualML, 0.95), quantile(manualOn4L, 0.95)
	v.MedianUML = quantile(uML, 0.5)
	v.WorstML = errorsML[len(errorsML)-1]
	v.Ratio = v.ManualP95ML / v.P95ML
	return v
}

// deviation is the sample standard deviation; 0 for a single value.
func deviation(values []float64) float64 {
	n := float64(len(values))
	mean, squares := 0.0, 0.0
	for _, x := range values {
		mean += x / n
	}
	for _, x := range values {
		squares += (x - mean) * (x - mean)
	}
	return math.Sqrt(squares / math.Max(1, n-1))
}

// quantile is the smallest value that at least the given share does not exceed. It
// sorts values.
func quantile(values []float64, share float64) float64 {
	slices.Sort(values)
	return values[max(0, int(math.Ceil(share*float64(len(values))))-1)]
}
