package board

import (
	"math"
	"slices"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// ask puts the oldest question about a change, with a picture of the signal around it.
func (s *screen) ask(c *cart) {
	q := &c.job.message.Questions[0]
	s.Say, s.Why = q.For(s.R), ""
	if more := len(c.job.message.Questions) - 1; more > 0 {
		s.Why = s.text("bay.more_questions", map[string]float64{"count": float64(more)}, nil)
	}
	s.Fig.Label = s.word("bay.went")
	if q.Kg > 0 {
		s.Fig.Label = s.word("bay.came")
	}
	u := s.R.Units.MassUnit(float64(q.Kg))
	s.Fig.Digits, s.Fig.Unit = u.Digits(math.Abs(float64(q.Kg))), u.Symbol
	s.small("bay.as_fluid", s.litres(math.Abs(float64(q.L))))
	s.small("bay.at", s.R.Name("at", q.At))
	s.Pic = picture{Kind: "trace", Trace: newTrace(s.R, q)}
	for _, as := range q.Answers {
		a := answerTo(q.Change, q.At, as)
		a.Label, a.Small = s.R.Word(label(as, float64(q.Kg))), s.R.Word(label(as, float64(q.Kg))+"_means")
		s.Answers = append(s.Answers, a)
	}
}

// label is the key of what a change may have been.
func label(as string, kg float64) string {
	switch {
	case as == "":
		return "answer.unknown"
	case (as == string(fillcalc.AsGone) || as == string(fillcalc.AsThing)) && kg < 0:
		return "answer." + as + "_back"
	}
	return "answer." + as
}

func answerTo(change int, at, as string) answer {
	return answer{Commands: command(string(fillcalc.DoAnswer), set{"change", change}, set{"change_at", at}, set{"as", as})}
}

// maxOther is how many of the newest changes the dialog "more" lists.
const maxOther = 6

// otherwise offers, for each of the newest changes, to say that it was something else than
// it is taken for. Of a group the last change stands for all.
func (s *screen) otherwise(c *cart) (rows []row) {
	for _, ch := range slices.Backward(c.job.message.Changes) {
		if ch.Last > 0 && ch.Last != ch.Change {
			continue
		}
		kg := float64(ch.Kg)
		r := row{Text: s.R.Name("at", ch.At) + "  " + s.R.Units.MassUnit(kg).Text(kg) + ": " + s.R.Word(label(ch.As, kg))}
		for _, sensor := range c.about.message.Sensors {
			if sensor.Name != ch.Sensor {
				continue
			}
			for _, as := range wire.Answers(fillcalc.Load(sensor.Role), kg) {
				if as != ch.As {
					a := answerTo(ch.Change, ch.At, as)
					a.Label = s.R.Word(label(as, kg))
					r.Answers = append(r.Answers, a)
				}
			}
		}
		if rows = append(rows, r); len(rows) == maxOther {
			break
		}
	}
	return rows
}

// more is the dialog with all that has no room on the page.
func (s *screen) more(c *cart) dialog {
	d := dialog{ID: "more", Title: s.word("bay.more")}
	for _, caution := range c.job.message.Cautions {
		d.Texts = append(d.Texts, "⚠ "+caution.For(s.R))
	}
	d.Texts = append(d.Texts, s.Notes...)
	d.Texts = append(d.Texts, s.Due...)
	d.Texts = append(d.Texts, s.Pic.Verdict.Why...)
	if len(d.Texts) == 0 {
		d.Texts = []string{s.word("bay.no_notes")}
	}
	if !slices.Contains([]string{"", "closed", "abandoned"}, c.volumes.message.Phase) && s.MayCommand {
		d.Rows = s.otherwise(c)
	}
	s.Notes = s.Notes[:min(len(s.Notes), maxNotes)]
	return d
}
