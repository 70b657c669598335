package fillcalc

import (
	"math"
	"slices"
	"testing"
)

// checked is a job in the phase checking with the window open: 3 kg came out, pouredKg went in.
func checked(t *testing.T, spec *JobSpec, pouredKg float64) *rig {
	r := drained(t, twoScales(), spec)
	r.scene(pouredKg/0.05, nil, steady(0.05), nil)
	r.rest(6)
	r.do(Input{Do: DoPhase, Phase: Running})
	r.rest(40)
	r.do(Input{Do: DoPhase, Phase: Checking})
	r.warm(40)
	r.rest(2)
	return r
}

func (r *rig) judge(result Result) {
	r.t.Helper()
	r.rest(2)
	r.do(Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: result}})
}

func (r *rig) dipstick(share float64) {
	r.t.Helper()
	r.rest(2)
	r.do(Input{Do: DoEnter, Entry: &Entry{What: EnterDipstick, Share: share}})
}

// keys lists what is asked.
func (r *rig) keys() (list []string) {
	for _, ask := range r.s.Next() {
		list = append(list, ask.Key)
	}
	return list
}

// The dipstick asks for 0.16 L, the scales for 0.5: the smaller one is poured, and the level is
// read again.
func TestDipstickAndScalesMakeOneInstruction(t *testing.T) {
	spec := aJob()
	spec.BetweenMarksL = 0.4
	r := checked(t, spec, 2.55)
	r.wantFirst("before a reading", "ask.top_up", ToneDo)
	r.dipstick(0.35)
	scalesL := r.plan().RemainingL
	if scalesL < 0.4 {
		t.Fatalf("the scales miss %g L", scalesL)
	}
	r.wantFirst("after it", "ask.dipstick_low", ToneDo)
	f := r.s.Next()[0].Figures
	near(t, "the dipstick asks for", f["ask_l"], 0.4*0.4*0.984, 0.002)
	near(t, "the scales ask for", f["scales_l"], scalesL, 1e-9)
	near(t, "to pour", f["pour_l"], f["ask_l"], 1e-9)
	if l, _ := r.s.Line(); math.Abs(l.ToL-f["pour_l"]) > 1e-9 {
		t.Errorf("the stop line is %g L away", l.ToL)
	}
	for slow, poured := false, 0.0; poured < 0.11; poured += 0.0025 {
		r.scene(0.1, nil, steady(0.025), nil)
		key, _ := r.first()
		slow = slow || key == "ask.slow"
		if key == "ask.stop" && !slow {
			t.Error("stop is said before slowly")
		}
	}
	r.warm(40)
	r.wantFirst("what it asked for is in", "ask.read_again", ToneDo)
	r.dipstick(0.75)
	r.wantFirst("it is right", "ask.record_right", ToneCheck)
	r.judge(Right)
	r.wantFirst("the scales still miss some", "ask.right_missing", ToneDo)
	r.judge(Right)
	r.wantFirst("judged twice", "ask.close", ToneDo)
}

// Low, although the scales miss nothing: a step is poured. High, although they miss some: a
// step is drawn off.
func TestLevelAgainstTheScales(t *testing.T) {
	for name, c := range map[string]struct {
		pouredKg float64
		judged   Result
		key      string
		figure   string
		wantL    float64
	}{
		"low, nothing missing": {3, Low, "ask.judged_low", "pour_l", stepL},
		"low, half missing":    {2.6, Low, "ask.judged_low", "pour_l", 0.47},
		"high, some missing":   {2.6, High, "ask.judged_high", "draw_l", stepL},
		"high, too much in":    {3.4, High, "ask.judged_high", "draw_l", 0.52},
	} {
		r := checked(t, aJob(), c.pouredKg)
		r.judge(c.judged)
		r.wantFirst(name, c.key, ToneDo)
		near(t, name, r.s.Next()[0].Figures[c.figure], c.wantL, 0.05)
	}
}

// Whatever was read and whatever the scales say: never is asked to close and to pour or draw
// off at once, and one thing only is asked about the level.
func TestNothingTellsToCloseWhileItTellsToPour(t *testing.T) {
	spec := aJob()
	spec.BetweenMarksL = 0.4
	fills := []string{"ask.top_up", "ask.dipstick_low", "ask.dipstick_high", "ask.judged_low", "ask.judged_high", "ask.draw_off",
		"ask.read_again", "ask.opening_runs", "ask.record_right", "ask.right_missing", "ask.right_over", "ask.level", "ask.slow", "ask.stop", "ask.too_much"}
	for _, pouredKg := range []float64{2.4, 2.9, 3, 3.1, 3.6} {
		for _, share := range []float64{-0.5, 0.2, 0.7, 1, 1.6, math.NaN()} {
			for _, result := range []Result{"", Low, Right, High, NotDone} {
				r := checked(t, spec, pouredKg)
				look := func(when string) {
					t.Helper()
					asked := 0
					for _, key := range r.keys() {
						if slices.Contains(fills, key) || key == "ask.close" {
							asked++
						}
					}
					if asked != 1 {
						t.Errorf("%g kg in, dipstick %g, judged %q, %s: asked %q", pouredKg, share, result, when, r.keys())
					}
				}
				look("before")
				if !math.IsNaN(share) {
					r.dipstick(share)
					look("read")
				}
				if result != "" {
					r.judge(result)
					look("judged")
					r.scene(4, nil, steady(0.05), nil)
					look("pouring on")
					r.rest(4)
					look("poured on")
				}
			}
		}
	}
}

// At a check opening: it runs by the scale or by a person's word, it drips, nothing comes.
func TestCheckOpening(t *testing.T) {
	spec := aJob()
	spec.Check = ByOverflow
	opening := func(o Opening) Input {
		return Input{Do: DoEnter, Entry: &Entry{What: EnterOpening, Opening: o}}
	}
	r := checked(t, spec, 3)
	r.scene(6, steady(0.02), nil, nil)
	r.wantFirst("the scale sees it", "ask.opening_runs", ToneWait)
	r.warm(40)
	r.do(opening(OpeningDry))
	r.wantFirst("dry", "ask.judged_low", ToneDo)
	r.do(opening(OpeningRuns))
	r.wantFirst("it runs, says a person", "ask.opening_runs", ToneWait)
	r.do(opening(OpeningDrips))
	r.wantFirst("it drips", "ask.record_right", ToneCheck)
	r.refused(Input{Do: DoEnter, Entry: &Entry{What: EnterOpening}}, "opening: ")
	early := drained(t, twoScales(), spec)
	early.refused(opening(OpeningDry), "what: refuse.opening_early")
}

// The level was judged in the window and is entered after it closed: it counts with what was
// known then. What was poured since then shows.
func TestJudgementIsEnteredLate(t *testing.T) {
	r := checked(t, aJob(), 3)
	judgedNs := r.atNs
	r.rest(30)
	r.warm(55)
	if w := r.s.CheckWindow().State; w != Above {
		t.Fatalf("the window is %s", w)
	}
	if keys := r.keys(); !slices.Contains(keys, "ask.level_late") {
		t.Errorf("asked %q", keys)
	}
	late := func(atNs int64) Input {
		return Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: Right, AtNs: atNs}}
	}
	r.refused(late(r.s.NowNs+60e9), "at: refuse.late_future")
	r.refused(late(r.s.Job.PhaseNs-1), "at: refuse.late_before")
	r.refused(Input{Do: DoRecord, Record: &Record{Item: Leaks, Result: Done, AtNs: judgedNs}}, "at: refuse.late_item")
	r.do(late(judgedNs))
	rec := r.s.Job.Records[0]
	if !inside(rec.Window) || rec.TempC == nil || math.Abs(*rec.TempC-40) > 1 || rec.AtNs != judgedNs || rec.EnteredNs != r.s.NowNs {
		t.Errorf("record %+v", rec)
	}
	if slices.Contains(r.keys(), "ask.level_late") {
		t.Error("still asked for it")
	}
	_, reasons := r.reasons()
	if slices.Contains(reasons, "verdict.level_judged") || slices.Contains(reasons, "verdict.level_moved") {
		t.Errorf("reasons %q", reasons)
	}
	r.rest(1)
	r.wantAsked(late(r.s.NowNs-1e9), "refuse.level_outside") // now it is too warm
	r.report(Record{Item: LevelAfter, Result: Right, AtNs: r.s.NowNs - 1e9, Why: "by hand"})
	if rec := r.s.Job.recorded(LevelAfter); rec.Window != Above {
		t.Errorf("record %+v", rec)
	}
}

// Fluid that is poured between a judgement and its entry is seen, and who remembers for too
// long judges again.
func TestLateJudgementKnowsWhatWasPouredSince(t *testing.T) {
	r := checked(t, aJob(), 2.7)
	judgedNs := r.atNs
	r.scene(6, nil, steady(0.05), nil)
	r.rest(10)
	late := Input{Do: DoRecord, Record: &Record{Item: LevelAfter, Result: Right, AtNs: judgedNs}}
	r.do(late)
	if moved := r.s.movedSince(&r.s.Job.Records[0]); math.Abs(moved-0.3/0.8427) > 0.02 {
		t.Errorf("moved %g L since", moved)
	}
	r.wantFirst("poured since", "ask.read_again", ToneDo)
	for r.atNs < judgedNs+lateNs {
		r.atNs += 4e9
		r.rest(1)
	}
	r.refused(late, "at: refuse.late_long")
	if n := len(r.s.Job.Past); n > maxMoments {
		t.Errorf("%d moments are kept", n)
	}
}
