package board

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// paper adds what the printed result card says beside the facts on the screen: the content of the
// job's ticket, from what the cart publishes. "bayfill ticket" computes it again from the record.
func (s *screen) paper(c *cart) {
	j := &c.job.message
	add := func(label, text string) {
		if text != "" && !strings.HasPrefix(text, unknown) {
			s.Pic.Paper = append(s.Pic.Paper, labelled{label, text})
		}
	}
	if d := j.ServiceData; d != nil && d.Name != nil {
		add(s.word("ticket.service_data"), *d.Name)
	}
	if j.OpenedAt != nil && j.PhaseAt != nil {
		add(s.word("ticket.time"), s.R.Name("opened_when", *j.OpenedAt)+" – "+s.R.Name("at", *j.PhaseAt))
	}
	if r := recorded(j, fillcalc.LevelBefore); r != nil {
		add(s.word("ticket.level_before"), s.R.Word("result."+r.Result))
	}
	if j.Plan != nil {
		add(s.word("ticket.in"), s.text("ticket.target", nil, map[string]string{"amount": s.litres(float64(j.Plan.TargetL))}))
	}
	besideL := 0.0
	for _, e := range j.Entered {
		if e.What == string(fillcalc.EnterSpilled) || e.What == string(fillcalc.EnterRetained) {
			besideL += float64(e.L)
		}
	}
	if besideL > 0 {
		add(s.word("ticket.out"), s.text("ticket.spilled", map[string]float64{"more_l": besideL}, nil))
	}
	ranOutL := float64(j.OverflowL)
	if math.IsNaN(ranOutL) {
		ranOutL = 0
	}
	if ranOutL > 0 {
		add(s.word("ticket.in"), s.text("ticket.ran_out", map[string]float64{"out_l": ranOutL}, nil))
	}
	add(s.word("ticket.used_oil"), s.litres(float64(c.volumes.message.DrainedL)+ranOutL))
	for _, item := range slices.Concat(fillcalc.Items(fillcalc.Service), fillcalc.Items(fillcalc.Running)) {
		if r := recorded(j, item); r != nil {
			add(s.R.Word("item."+string(item)), s.work(r))
		}
	}
	add(s.word("ticket.why"), j.Why)
	for _, key := range []string{"caution.used_oil", "caution.rags", "caution.warm_up", "caution.defers"} {
		s.Pic.PaperCautions = append(s.Pic.PaperCautions, s.word(key))
	}
	s.Pic.PaperCautions = append(s.Pic.PaperCautions, s.text("bay.paper_footer", map[string]float64{"reference_c": float64(c.volumes.message.ReferenceC)}, map[string]string{"job": j.Job}))
}

// work says what was recorded of a piece of work.
func (s *screen) work(r *wire.JobRecord) string {
	text := s.R.Word("result." + r.Result)
	switch {
	case r.AppliedNM > 0 && r.SpecifiedNM > 0:
		text = s.text("ticket.applied", map[string]float64{"applied_nm": r.AppliedNM, "specified_nm": r.SpecifiedNM}, nil)
	case r.AppliedNM > 0:
		text = s.text("ticket.not_specified", map[string]float64{"applied_nm": r.AppliedNM}, nil)
	case r.Count > 1:
		text += " (" + strconv.Itoa(r.Count) + ")"
	}
	if r.Part != "" {
		text += ", " + r.Part
	}
	if r.Note != "" {
		text += ", " + r.Note
	}
	return text
}
