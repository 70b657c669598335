package main

import (
	"fmt"
	"math"
	"unicode/utf8"

	"bayfill/fillcalc"
	"bayfill/sim"
)

// account compares what the bridge measured with the simulator's truth. Volumes are in
// litres at the reference temperature; U is expanded, k = 2.
type account struct {
	Job          string  `json:"job"`
	ReferenceC   float64 `json:"reference_c"`
	DrainedL     float64 `json:"drained_l"`
	DrainedUL    float64 `json:"drained_u_l"`
	AddedL       float64 `json:"added_l"`
	AddedUL      float64 `json:"added_u_l"`
	BalanceL     float64 `json:"balance_l"`
	BalanceUL    float64 `json:"balance_u_l"`
	TrueDrainedL float64 `json:"true_drained_l"`
	TrueAddedL   float64 `json:"true_added_l"`
	JobMinutes   float64 `json:"job_minutes"`
	// SameAndComplete says that an audit of the journal computed the same figures.
	SameAndComplete bool             `json:"same_and_complete"`
	Verdict         fillcalc.Outcome `json:"verdict"`
}

func newAccount(s shown, t sim.Truth) account {
	v := s.volumes
	c := float64(v.ReferenceC)
	return account{
		Job: v.Job, ReferenceC: c,
		DrainedL: float64(v.DrainedL), DrainedUL: float64(v.DrainedUL),
		AddedL: float64(v.AddedL), AddedUL: float64(v.AddedUL),
		BalanceL: float64(v.BalanceL), BalanceUL: float64(v.BalanceUL),
		TrueDrainedL: math.Round(t.DrainedL(demoUsed, c)*1e4) / 1e4,
		TrueAddedL:   math.Round(t.AddedL(demoFresh, c)*1e4) / 1e4,
		JobMinutes:   math.Round(t.ElapsedS/6) / 10,
	}
}

func (a account) print(v *view) {
	r := v.reader
	v.print(r.Say(fillcalc.Text{Key: "demo.account", Figures: figures{"took_min": a.JobMinutes, "reference_c": a.ReferenceC}, Names: names{"job": a.Job}}))
	v.print("")
	width := 10
	for _, key := range []string{"term.out", "term.in", "demo.balance"} {
		width = max(width, utf8.RuneCountInString(r.Word(key)))
	}
	const table = "%-*s %18s  %9s  %9s\n"
	fmt.Fprintf(v.out, table, width, "", r.Word("demo.measured"), r.Word("demo.truly"), r.Word("demo.differs"))
	row := func(key string, measured, u, truth float64) {
		fmt.Fprintf(v.out, table, width, r.Word(key), plusMinus(r, measured, u), volume(r, truth), r.Units.Volume(measured-truth))
	}
	row("term.out", a.DrainedL, a.DrainedUL, a.TrueDrainedL)
	row("term.in", a.AddedL, a.AddedUL, a.TrueAddedL)
	row("demo.balance", a.BalanceL, a.BalanceUL, a.TrueAddedL-a.TrueDrainedL)
	v.print("")
}
