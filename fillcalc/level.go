package fillcalc

import "math"

// levelReading is the newest word about the level since the engine runs: of the dipstick, of
// the check opening, or of a person.
type levelReading struct {
	atNs  int64
	says  Result  // low, right or high
	askL  float64 // what the dipstick asks for, below zero what is too much; NaN: nobody knows
	judge bool    // it is on record as the level at the end
	runs  bool    // it runs out of the check opening
	// What went in less what ran out again since, in litres.
	movedL float64
}

// stepL is poured or drawn off at a time when the level and the scales contradict each other:
// a little, because what is too much is harder to get out (common practice, no source).
const stepL = 0.1

// reading returns the newest reading of the level; ok is false if there is none since the
// engine was started, or if fluid has been drained since.
func (s *State) reading() (r levelReading, ok bool) {
	fromNs := s.Job.runsSince()
	if fromNs == 0 {
		return r, false
	}
	if rec := s.Job.recorded(LevelAfter); rec != nil && rec.counts() {
		r = levelReading{atNs: rec.AtNs, says: rec.Result, askL: math.NaN(), judge: true, movedL: s.movedFrom(rec.AddedL, rec.AgainL)}
	}
	if e, is := s.Job.last(EnterDipstick); is && e.AtNs > r.atNs {
		if says, askL, usable := s.dipstickSays(); usable {
			r = levelReading{atNs: e.AtNs, says: says, askL: askL, movedL: s.movedFrom(e.AddedL, e.AgainL)}
		}
	}
	if e, is := s.Job.last(EnterOpening); is && e.AtNs > r.atNs {
		says := map[Opening]Result{OpeningRuns: High, OpeningDrips: Right, OpeningDry: Low}[e.Opening]
		r = levelReading{atNs: e.AtNs, says: says, askL: math.NaN(), runs: says == High, movedL: s.movedFrom(e.AddedL, e.AgainL)}
	}
	if s.overflowing() && s.flowKgS(OverflowTally) > runsAboveKgS {
		return levelReading{atNs: s.NowNs, says: High, askL: math.NaN(), runs: true}, true
	}
	return r, r.atNs >= fromNs
}

// runsSince returns since when the job has been in the phases in which the engine runs; 0: it
// is in another one.
func (j *Job) runsSince() (ns int64) {
	for _, p := range j.Phases {
		switch {
		case !p.Phase.runs():
			ns = 0
		case ns == 0:
			ns = p.AtNs
		}
	}
	return ns
}

// counts reports whether a level was judged, while the window was open or by somebody who took
// the temperature by hand.
func (r *Record) counts() bool {
	return r.judged() && (inside(r.Window) || r.Window == Blind)
}

// judged reports whether a person said how the level stands.
func (r *Record) judged() bool { return r.Result == Low || r.Result == Right || r.Result == High }

// movedFrom returns what has gone in less what ran out again since figures of a moment; 0 if
// that is not known.
func (s *State) movedFrom(addedL, againL *float64) float64 {
	v, moved := s.Volumes(), 0.0
	if addedL != nil && !math.IsNaN(v.AddedL) {
		moved += v.AddedL - *addedL
	}
	if againL != nil && !math.IsNaN(v.OverflowL) {
		moved -= v.OverflowL - *againL
	}
	return moved
}

// dipstickSays returns what the last dipstick reading says. Between the marks it is right,
// unless more is missing to the aim than an eye can be off.
func (s *State) dipstickSays() (says Result, askL float64, usable bool) {
	e, _ := s.Job.last(EnterDipstick)
	askL, uL, ok, err := s.TopUp()
	switch {
	case err != nil:
		return "", 0, false
	case !ok && e.Share < 0:
		return Low, math.NaN(), true
	case !ok && e.Share > 1:
		return High, math.NaN(), true
	case !ok:
		return Right, math.NaN(), true
	case askL > max(nearLineL, uL):
		return Low, askL, true
	case askL < -(1-aimShare)*s.Job.Spec.BetweenMarksL:
		return High, askL, true
	}
	return Right, askL, true
}

// toPourL reconciles a reading of the level with the balance of the scales: how much is still
// to pour, below zero to draw off. missingL is what the scales miss now; NaN: not known.
//
// What both ask for is certain; of what only one asks for a step is taken, and the level is
// read again.
func (r *levelReading) toPourL(missingL float64) float64 {
	thenL := missingL + r.movedL // as the scales saw it at the reading
	switch {
	case r.says == Low && !(thenL > stepL):
		thenL = stepL
	case r.says == High && !(thenL < -stepL):
		thenL = -stepL
	case r.says == Right:
		thenL = 0
	}
	if !math.IsNaN(r.askL) && math.Abs(r.askL) < math.Abs(thenL) {
		thenL = r.askL
	}
	return thenL - r.movedL
}

// missingL is what the scales miss to the target; NaN if that is not known.
func (s *State) missingL() float64 {
	if plan, err := s.WholePlan(); err == nil {
		return plan.RemainingL
	}
	return math.NaN()
}

// levelWork is the one instruction that follows from a reading of the level and from the
// scales.
func (s *State) levelWork(r *levelReading) (a Ask, ok bool) {
	missingL := s.missingL()
	leftL := r.toPourL(missingL)
	level := func(key string, f figures) (Ask, bool) {
		return Ask{Text: Text{Key: key, Figures: f}, Tone: ToneDo, Do: DoRecord, Item: LevelAfter}, true
	}
	dipstick := !math.IsNaN(r.askL)
	switch {
	case r.runs:
		return Ask{Text: Text{Key: "ask.opening_runs"}, Tone: ToneWait, Do: DoRecord, Item: LevelAfter}, true
	case r.says == Low && leftL > nearLineL:
		f := figures{"scales_l": max(0, missingL), "pour_l": leftL}
		if dipstick {
			f["ask_l"] = r.askL - r.movedL
			return level("ask.dipstick_low", f)
		}
		return level("ask.judged_low", f)
	case r.says == High && leftL < -nearLineL:
		f := figures{"scales_l": max(0, -missingL), "draw_l": -leftL}
		if dipstick {
			f["over_l"] = r.movedL - r.askL
			return level("ask.dipstick_high", f)
		}
		return level("ask.judged_high", f)
	case r.says != Right, math.Abs(r.movedL) > maxMovedL:
		return level("ask.read_again", nil)
	case !r.judge:
		tone, open := s.windowTone()
		return Ask{Text: Text{Key: "ask.record_right"}, Tone: tone, Do: DoRecord, Item: LevelAfter}, open
	}
	return s.contradicted(missingL)
}

// contradicted asks for a second look at a level that was judged right although the scales are
// sure that much is missing, or too much in. After the second the level decides.
func (s *State) contradicted(missingL float64) (a Ask, ok bool) {
	plan, err := s.WholePlan()
	if err != nil || math.Abs(missingL) <= float64(2*plan.RemainingUL)+drawOffL || s.Job.judgedTwice() {
		return a, false
	}
	key := "ask.right_missing"
	if missingL < 0 {
		key = "ask.right_over"
	}
	return Ask{Text: Text{Key: key, Figures: figures{"scales_l": math.Abs(missingL)}}, Tone: ToneDo, Do: DoRecord, Item: LevelAfter}, true
}

// judgedTwice reports whether the two newest judgements of the level say the same of the same
// fill.
func (j *Job) judgedTwice() bool {
	last := j.recorded(LevelAfter)
	for i := range j.Records {
		if r := &j.Records[i]; r.Item == LevelAfter && r.AtNs < last.AtNs && r.AtNs >= j.runsSince() && r.Result == last.Result && r.counts() && !r.movedUntil(last) {
			return true
		}
	}
	return false
}
