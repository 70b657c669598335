package fillcalc

import "math"

// Ask is a request to the technician: a text, its kind, and the command that answers it.
type Ask struct {
	Text
	Tone   Tone
	Do     Do    // empty: no command answers it
	Phase  Phase // of a phase command
	Change int   // of an answer
	Item   Item  // of a record
	What   What  // of an entry
}

// Next lists what to do now, the most urgent first: what is being lost, what runs over, the
// hand that pours, an instrument that is not heard, what only a person knows, then the work of
// the phase.
func (s *State) Next() []Ask {
	j := &s.Job
	if !j.Phase.Open() {
		tone := ToneDone
		if j.Phase == NoJob {
			tone = ToneDo
		}
		return []Ask{{Text: Text{Key: "ask.open"}, Tone: tone, Do: DoOpen}}
	}
	var list []Ask
	for _, urgent := range [...]func() (Ask, bool){s.runsOut, s.caddyFull, s.pouring, s.unmeasured, s.checkNow, s.proposed} {
		if ask, ok := urgent(); ok {
			list = append(list, ask)
		}
	}
	for i, c := range s.Questions() {
		if i < 3 { // more at once would not be answered
			list = append(list, Ask{Text: s.question(&c), Tone: ToneAnswer, Do: DoAnswer, Change: c.ID})
		}
	}
	if j.Phase == Running {
		if ask, ok := s.gearWork(); ok {
			list = append(list, ask)
		}
	}
	for _, i := range items {
		if i.Phase == j.Phase && i.Item != LevelAfter && j.recorded(i.Item) == nil {
			list = append(list, Ask{Text: Text{Key: "ask.record", Names: names{"item": string(i.Item)}}, Tone: ToneDo, Do: DoRecord, Item: i.Item})
		}
	}
	list = append(list, s.work()...)
	if _, gears := s.gearWork(); j.Phase.runs() && !gears && j.Spec.Passes == 0 {
		if ask, ok := s.drainAgain(); ok {
			list = append(list, ask)
		}
	}
	return list
}

// work lists what the phase itself asks for.
func (s *State) work() []Ask {
	phase := func(key string, tone Tone, p Phase) Ask {
		return Ask{Text: Text{Key: key}, Tone: tone, Do: DoPhase, Phase: p}
	}
	if _, proposed := s.proposed(); proposed {
		return nil
	}
	switch s.Job.Phase {
	case Ready:
		return []Ask{phase("ask.drain", ToneDo, Draining)}
	case Draining:
		switch f := s.Tail.Forecast(s.NowNs); {
		case f.Known && f.Drips:
			ask := phase("ask.drips", ToneDo, Service)
			ask.Figures = figures{"more_l": 1000 * f.In5MinKg / s.Job.UsedKgM3}
			return []Ask{ask}
		case f.Known:
			return []Ask{phase("ask.runs", ToneWait, Service)}
		}
		return []Ask{phase("ask.run_dry", ToneWait, Service)}
	case Service:
		return []Ask{phase("ask.pan_closed", ToneDo, Filling)}
	case Filling:
		return s.firstFill()
	case Running:
		if again, left := s.passLeft(); left {
			return []Ask{again}
		}
		if _, open := s.checkNow(); !open {
			return []Ask{phase("ask.check", ToneDo, Checking)}
		}
	case Checking:
		if again, left := s.passLeft(); left {
			return []Ask{again}
		}
		return s.checkWork()
	}
	return nil
}

// firstFill asks for the first fill, and for nothing else before it is in: an engine that
// runs with too little fluid ruins the transmission.
func (s *State) firstFill() []Ask {
	plan, err := s.Plan()
	_, urgent := s.pouring()
	switch {
	case err != nil:
		return []Ask{{Text: Text{Key: "ask.first_fill"}, Tone: ToneDo}}
	case urgent:
		return nil
	case plan.RemainingL > nearLineL:
		return s.pour(Ask{Text: Text{Key: "ask.pour", Figures: figures{"more_l": plan.RemainingL}}, Tone: ToneDo}, plan.RemainingL)
	}
	return []Ask{{Text: Text{Key: "ask.engine"}, Tone: ToneDo, Do: DoPhase, Phase: Running}}
}

// pour asks for more fluid, as ask says, unless nobody knows yet of what went from the supply
// whether it was poured. What went last may be in somebody's hand, or in already and back
// unseen: only who stands there can tell. If there is more of it only a clear weighing tells, and
// then the answers to its questions.
func (s *State) pour(ask Ask, moreL float64) []Ask {
	perhapsL, handL := s.perhapsInL()
	switch {
	case perhapsL <= nearLineL:
		return []Ask{ask}
	case len(s.Questions()) > 0:
		return nil
	case perhapsL-handL <= nearLineL:
		return []Ask{{Text: Text{Key: "ask.pour_hand", Figures: figures{"hand_l": handL, "pour_l": min(moreL, handL)}}, Tone: ToneDo, Do: DoClear}}
	}
	return []Ask{{Text: Text{Key: "ask.weigh_first", Figures: figures{"perhaps_l": perhapsL}}, Tone: ToneDo, Do: DoClear}}
}

// perhapsInL returns how much went from the supplies of which nobody knows yet whether it was
// poured, and how much of that went last.
func (s *State) perhapsInL() (allL, lastL float64) {
	for i := range s.Job.Changes {
		c := &s.Job.Changes[i]
		sc := s.scale(c.Sensor)
		if sc == nil || s.Job.tallyOf(sc.Setup.Load, c.Kg) != AddedTally {
			continue
		}
		if lastL = 0; c.As == "" && c.Kg < 0 {
			lastL = math.Abs(s.ChangeL(c))
			allL += lastL
		}
	}
	return allL, lastL
}

// checkNow asks to go to the check as soon as the window is open, in the last pass.
func (s *State) checkNow() (a Ask, ok bool) {
	tone, open := s.windowTone()
	_, left := s.passLeft()
	return Ask{Text: Text{Key: "ask.check_now"}, Tone: tone, Do: DoPhase, Phase: Checking}, open && s.Job.Phase == Running && !left
}

// closingSoonS is the time that judging a level takes (common practice, no source).
const closingSoonS = 60

// windowTone returns the tone of an open window.
func (s *State) windowTone() (tone Tone, open bool) {
	w := s.CheckWindow()
	if !inside(w.State) {
		return "", false
	}
	if w.State == Closing || w.ClosesInS <= closingSoonS {
		return ToneClosing, true
	}
	return ToneCheck, true
}

// checkWork leads to the judgement of the level, and asks to close when nothing is open. A
// reading of the level and the balance of the scales make one instruction.
func (s *State) checkWork() (list []Ask) {
	if _, urgent := s.pouring(); urgent {
		return nil
	}
	r, read := s.reading()
	if read {
		if ask, ok := s.levelWork(&r); ok {
			if moreL, pours := ask.Figures["pour_l"]; pours {
				return s.pour(ask, moreL)
			}
			return []Ask{ask}
		}
	}
	plan, err := s.Plan()
	topUp := !read && err == nil && plan.RemainingL > nearLineL
	last := s.Job.recorded(LevelAfter)
	switch {
	case read && r.judge || last != nil && !last.judged() && !topUp:
		if s.quality().Good() {
			list = append(list, Ask{Text: Text{Key: "ask.close"}, Tone: ToneDo, Do: DoClose})
		}
		return list
	case topUp:
		list = s.pour(Ask{Text: Text{Key: "ask.top_up", Figures: figures{"more_l": plan.RemainingL}}, Tone: ToneDo}, plan.RemainingL)
	default:
		list = s.waitForLevel()
	}
	if ns := s.closedNs(); ns > 0 {
		list = append(list, Ask{Text: Text{Key: "ask.level_late", Names: names{"at": timeText(ns)}}, Tone: ToneAnswer, Do: DoRecord, Item: LevelAfter})
	}
	return list
}

// waitForLevel asks to judge the level, or to wait until it can be judged.
func (s *State) waitForLevel() []Ask {
	w := s.CheckWindow()
	tone, open := s.windowTone()
	_, blind := s.unmeasured()
	switch {
	case open:
		return []Ask{{Text: Text{Key: "ask.level", Figures: figures{"at_c": w.TempC}}, Tone: tone, Do: DoRecord, Item: LevelAfter}}
	case w.State == Above:
		return []Ask{{Text: Text{Key: "ask.too_warm"}, Tone: ToneWait}}
	case !blind:
		return []Ask{{Text: Text{Key: "ask.wait"}, Tone: ToneWait}}
	}
	return nil
}

// caddyFull asks to empty the caddy before it runs over: now, or because what is still
// expected does not fit.
func (s *State) caddyFull() (a Ask, ok bool) {
	if s.Job.Phase.place() >= Filling.place() && s.flowKgS(DrainedTally)+s.flowKgS(OverflowTally) <= 0 {
		return a, false
	}
	if freeL := s.caddyFreeL(); freeL < fullSoonL {
		return Ask{Text: Text{Key: "ask.caddy_full", Figures: figures{"free_l": max(0, freeL)}}, Tone: ToneStop}, true
	}
	plan, err := s.Plan()
	if err != nil {
		return a, false
	}
	for _, note := range plan.Notes {
		if note.Key == NoteCaddy {
			return Ask{Text: Text{"ask.caddy_small", note.Figures, nil}, Tone: ToneDo}, true
		}
	}
	return a, false
}

// question asks what a change was, in words that a person at the cart can answer.
func (s *State) question(c *Change) Text {
	sc := s.scale(c.Sensor)
	n := names{"at": timeText(c.AtNs), "scale": string(sc.Setup.Load)}
	switch {
	case c.Kg > 0:
		return Text{"ask.came", figures{"came_kg": c.Kg}, n}
	case c.Last > 0:
		return Text{"ask.bottles", nil, n}
	}
	for i := range s.Job.Changes {
		o := &s.Job.Changes[i]
		if o.Sensor == c.Sensor && o.Said == AsFluid && math.Abs(o.Kg+c.Kg) <= sc.Setup.slackKg(o.U2+c.U2, c.Kg) {
			n["said_at"] = timeText(o.AtNs)
			return Text{"ask.contradicts", figures{"went_kg": -c.Kg, "change": float64(o.ID)}, n}
		}
	}
	return Text{"ask.went", figures{"went_kg": -c.Kg}, n}
}
