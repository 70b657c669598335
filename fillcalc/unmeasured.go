package fillcalc

// unmeasured says which instrument the present phase needs and does not hear, and what to do
// about it; ok is false if there is none.
func (s *State) unmeasured() (a Ask, ok bool) {
	phase := s.Job.Phase
	if phase == Ready {
		phase = Draining
	}
	for i := range s.Scales[:s.ScaleN] {
		sc := &s.Scales[i]
		if !counts(sc.Setup.Load, phase) {
			continue
		}
		scale := names{"scale": string(sc.Setup.Load)}
		if s.Job.Ledgers[i].Off > 0 {
			return Ask{Text: Text{"ask.container_off", nil, scale}, Tone: ToneUnmeasured}, true
		}
		if q := s.scaleQuality(sc); !q.Good() && q.Code != QualityUnsettled {
			scale["fault"] = string(q.Code)
			return Ask{Text: Text{"ask.no_scale", nil, scale}, Tone: ToneUnmeasured}, true
		}
	}
	if !phase.runs() || s.Job.recorded(LevelAfter) != nil {
		return a, false
	}
	switch q := s.CheckWindow().Quality; q.Code {
	case QualityGood, QualityStandsIn, QualityWatched:
		return a, false
	case QualityNoProbe:
		return Ask{Text: Text{Key: "ask.no_probe"}, Tone: ToneUnmeasured}, phase == Checking
	default:
		return Ask{Text: Text{"ask.no_temperature", nil, names{"fault": string(q.Code)}}, Tone: ToneUnmeasured}, true
	}
}
