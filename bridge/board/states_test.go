package board

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

const bay2 = "bayfill/hilltop/bay2/"

// state is what a cart has said, for the tests of its page.
type state struct {
	name    string
	volumes wire.Volumes
	window  wire.Window
	job     wire.Job
	alerts  wire.Alerts
	about   wire.About
	choices wire.Choices
}

// aJob is a job of an invented workshop in a phase, after what was drained and added.
func aJob(phase string, outL, inL, remainingL float64) state {
	nan := wire.Number(math.NaN())
	name, check := "van6-overflow", "dipstick"
	s := state{name: phase,
		volumes: wire.Volumes{TS: "2026-11-25T09:10:00.000Z", Job: "van-7", Phase: phase, Quality: "good", QualityCode: "good", DrainedL: wire.Number(outL), DrainedUL: 0.016, AddedL: wire.Number(inL), AddedUL: 0.015,
			RemainingL: wire.Number(remainingL), ReferenceC: 20, CaddyFreeL: wire.Number(9 - outL), BalanceL: wire.Number(inL - outL), BalanceUL: 0.02},
		window: wire.Window{TS: "2026-11-25T09:10:00.000Z", State: "below", TempC: 27.9, LowC: 35, HighC: 45, RateCMin: nan, OpensInS: nan, OpensInUS: nan, ClosesInS: nan, ClosesInUS: nan, Quality: "good", QualityCode: "good"},
		about:  wire.About{ShopUnits: "metric", CaddyHoldsL: 9, Sensors: []wire.AboutSensor{{Name: "caddy-scale", Role: "caddy"}, {Name: "supply-scale", Role: "supply"}}},
	}
	s.job = wire.Job{TS: "2026-11-25T09:10:00.000Z", Job: "van-7", Vehicle: "Courier van, 6-speed", Phase: phase, Fluid: "amber 6", UsedFluid: "amber 6",
		ServiceData: &wire.JobServiceData{Name: &name, Check: &check, TypicalL: 3.97, TotalL: 8.6, FirstFill: 0.8, BottleL: 0.946, LowC: 35, HighC: 45, BoltTorqueNM: 10.96},
		Plan:        &wire.JobPlan{TargetL: wire.Number(outL + 0.2), FirstFillL: wire.Number(0.8 * (outL + 0.2)), RemainingL: wire.Number(remainingL), RemainingUL: 0.02, LineL: wire.Number(inL + remainingL), ToLineL: wire.Number(remainingL), ToLineS: nan},
	}
	for _, gear := range []string{"R", "N", "D", "P"} {
		s.job.Flow.GearPlan = append(s.job.Flow.GearPlan, wire.JobGearStep{Gear: gear})
	}
	s.job.Flow.Phases = []wire.JobPhase{{Phase: "ready", At: "2026-11-25T09:00:00.000Z", By: "Ada"}}
	for _, key := range map[string][]string{"draining": {"caution.hot_fluid", "caution.pan_full"}, "running": {"caution.exhaust", "caution.turning"}, "checking": {"caution.hot_checking", "caution.in_window"}}[phase] {
		s.job.Cautions = append(s.job.Cautions, wire.Say(fillcalc.Text{Key: key}))
	}
	return s
}

func (s state) asks(key string, figures map[string]float64, names map[string]string) state {
	s.job.Flow.Next = append(s.job.Flow.Next, wire.JobAsk{Tone: tones[key], Do: dos[key], Phase: turns[key], Said: wire.Say(fillcalc.Text{Key: key, Figures: figures, Names: names})})
	return s
}

// What the fold sends with some of its asks.
var (
	tones = map[string]string{"": "do", "ask.open": "do", "ask.drain": "do", "ask.runs": "wait", "ask.drips": "do", "ask.record": "do", "ask.pan_closed": "do", "ask.pour": "do", "ask.weigh_first": "do", "ask.pour_hand": "do", "ask.engine": "do",
		"ask.gears": "do", "ask.check": "do", "ask.next_pass": "do", "ask.wait": "wait", "ask.level": "check", "ask.top_up": "do", "ask.close": "do", "ask.came": "answer", "ask.bottles": "answer",
		"ask.slow": "slow", "ask.runs_out": "lost", "ask.past_first_fill": "stop", "ask.no_temperature": "unmeasured", "ask.check_now": "closing", "ask.hold": "wait"}
	dos   = map[string]string{"ask.weigh_first": "clear", "ask.pour_hand": "clear", "ask.came": "answer", "ask.bottles": "answer", "ask.next_pass": "phase", "ask.check_now": "phase"}
	turns = map[string]string{"ask.engine": "running", "ask.drain_again": "draining", "ask.next_pass": "draining", "ask.check_now": "checking"}
)

func (s state) with(name string, change func(s *state)) state {
	s.name = name
	change(&s)
	return s
}

// noted adds the longest notes that there are.
func (s state) noted() state {
	s.name += ", noted"
	s.alerts.Alerts = append(s.alerts.Alerts, []wire.Alert{
		{Code: wire.AlertCalibration, Said: wire.Say(fillcalc.Text{Key: "alert.flow"})},
		{Code: wire.AlertCaddy, Said: wire.Say(fillcalc.Text{Key: "alert.caddy", Figures: map[string]float64{"free_l": 0.8}})},
		{Code: wire.AlertScatter, Said: wire.Say(fillcalc.Text{Key: "alert.scatter", Figures: map[string]float64{"seen_kg": 0.012, "configured_kg": 0.004}, Names: map[string]string{"scale": "caddy"}})},
		{Code: wire.AlertHistory, Said: wire.Said{Text: "history http://127.0.0.1:8086: connection refused, 312 events wait in the journal since 09:02 UTC"}},
	}...)
	s.job.Plan.Notes = []wire.Said{
		wire.Say(fillcalc.Text{Key: fillcalc.NoteOverCapacity, Figures: map[string]float64{"target_l": 9.2, "total_l": 8.6}}),
		wire.Say(fillcalc.Text{Key: fillcalc.NoteBottles, Figures: map[string]float64{"count": 5, "bottle_l": 0.946, "less_pct": 3, "target_u_l": 0.02}}),
	}
	return s
}

func record(item fillcalc.Item, result string) wire.JobRecord {
	warm := 38.4
	return wire.JobRecord{At: "2026-11-25T09:05:00.000Z", Item: string(item), Result: result, By: "Ada", TempC: &warm}
}

// states are what the page must be able to show, one for each kind.
func states() []state {
	warming := func(state string, celsius, opens, closes float64) func(*fillState) {
		return func(s *fillState) {
			w := &s.window
			w.State, w.TempC, w.RateCMin = state, wire.Number(celsius), 1.9
			for ago := wire.PastN; ago > 0; ago-- {
				w.PastC = append(w.PastC, wire.Number(celsius-1.9*float64(ago*wire.PastEveryS)/60))
			}
			w.OpensInS, w.OpensInUS, w.ClosesInS, w.ClosesInUS = wire.Number(opens), 30, wire.Number(closes), 2
		}
	}
	nan := math.NaN()
	question := wire.JobQuestion{Change: 3, At: "2026-11-25T09:08:00.000Z", Sensor: "caddy-scale", Kg: 1.23, L: 1.43, Answers: []string{"fluid", "gone", "thing", "container"},
		TraceKg: []wire.Number{0, 0.001, -0.002, 0, 0, 0.001, 0.004, 0.21, 0.87, 1.212, 1.229, 1.231, 1.229, 1.23, 1.23, 1.231}, TraceStepS: 0.312,
		Said: wire.Say(fillcalc.Text{Key: "ask.came", Figures: map[string]float64{"came_kg": 1.23}, Names: map[string]string{"at": "2026-11-25T09:08:00Z", "scale": "caddy"}})}
	bottles := wire.JobQuestion{Change: 6, At: "2026-11-25T09:08:00.000Z", Sensor: "supply-scale", Kg: -0.89, L: -1.05, Answers: []string{"fluid", "gone", "thing", "container", "bottle"},
		TraceKg: question.TraceKg, TraceStepS: 0.3,
		Said: wire.Say(fillcalc.Text{Key: "ask.bottles", Names: map[string]string{"at": "2026-11-25T09:08:00Z", "scale": "supply"}})}
	doubted := &wire.JobVerdict{Result: "not_verified", Missing: []string{"filter", "seal", "magnet", "pan"}, Reasons: []wire.JobReason{
		{Rule: "calibrations", Result: "not_verified", Said: wire.Say(fillcalc.Text{Key: "verdict.not_calibrated", Names: map[string]string{"sensor": "caddy-scale", "role": "caddy"}})},
		{Rule: "decisions", Result: "not_verified", Said: wire.Say(fillcalc.Text{Key: "verdict.undecided", Figures: map[string]float64{"change": 3, "change_kg": 1.23}, Names: map[string]string{"sensor": "caddy-scale"}})}}}
	offered := wire.Choices{Fluids: []wire.ChoiceFluid{{Name: "amber 6"}, {Name: "clear 9"}}}
	for _, vehicle := range []string{"Courier van, 6-speed", "Estate car, 5-speed", "Saloon, 4-speed", "Pickup, 8-speed with long name", "Minibus, 6-speed", "Taxi, 6-speed"} {
		offered.ServiceData = append(offered.ServiceData, wire.ChoiceServiceData{Name: vehicle[:4], Vehicle: vehicle, Fluid: "amber 6", TypicalL: 3.97, LowC: 35, HighC: 45})
	}
	list := []state{
		aJob("", nan, nan, nan).asks("ask.open", nil, nil).with("no job", func(s *state) {
			s.job.Plan, s.job.Vehicle, s.job.Flow.Phases, s.volumes.CaddyFreeL = nil, "", nil, 8.2
			s.choices = offered
		}),
		aJob("ready", 0, 0, nan).asks("ask.drain", nil, nil),
		aJob("ready", 0, 0, nan).asks("ask.record", nil, map[string]string{"item": "level_before"}).asks("ask.drain", nil, nil).with("level before", func(s *state) { s.job.Flow.Next[0].Item = string(fillcalc.LevelBefore) }),
		aJob("draining", 3.12, 0, nan).asks("ask.runs", nil, nil).with("draining", func(s *state) { s.volumes.DrainedLMin = 0.9 }),
		aJob("draining", 4.1, 0, nan).asks("ask.drips", map[string]float64{"more_l": 0.04}, nil).with("dripping", func(s *state) {}).noted(),
		aJob("service", 3.913, 0, 3.13).asks("ask.record", nil, map[string]string{"item": "filter"}).asks("ask.pan_closed", nil, nil),
		aJob("service", 3.913, 0, 3.13).asks("ask.record", nil, map[string]string{"item": "torque"}).asks("ask.pan_closed", nil, nil).with("torque", func(s *state) {
			for _, item := range []fillcalc.Item{fillcalc.Filter, fillcalc.Seal, fillcalc.Magnet, fillcalc.Pan, fillcalc.Flange} {
				s.job.Flow.Records = append(s.job.Flow.Records, record(item, "done"))
			}
			s.job.Flow.Records = append(s.job.Flow.Records, record(fillcalc.Gasket, "not_needed"))
		}).noted(),
		aJob("service", 3.913, 0, 3.13).asks("ask.came", nil, nil).with("asked", func(s *state) { s.job.Questions = []wire.JobQuestion{question, question} }).noted(),
		aJob("filling", 4.213, 4.1, 0.1).asks("ask.bottles", nil, nil).with("bottles", func(s *state) { s.job.Questions = []wire.JobQuestion{bottles} }),
		aJob("filling", 4.213, 0.63, 2.72).asks("ask.pour", map[string]float64{"more_l": 2.72}, nil).with("filling", func(s *state) { s.volumes.AddedLMin, s.job.Plan.ToLineS = 1.4, 117 }),
		aJob("filling", 4.213, 0.86, 2.51).asks("ask.weigh_first", map[string]float64{"perhaps_l": 1.02}, nil).with("weigh first", func(s *state) {}).noted(),
		aJob("filling", 4.213, 2.68, 0.57).asks("ask.pour_hand", map[string]float64{"hand_l": 1.01, "pour_l": 0.57}, nil).with("in the hand", func(s *state) {}).noted(),
		aJob("filling", 4.213, 3.49, 0.04).asks("ask.slow", map[string]float64{"more_l": 0.04}, nil).with("slow", func(s *state) { s.volumes.AddedLMin, s.job.Plan.ToLineS = 1.4, 2 }).noted(),
		aJob("filling", 4.213, 3.70, -0.17).asks("ask.past_first_fill", map[string]float64{"over_l": 0.17}, nil).with("too much", func(s *state) {}),
		aJob("filling", 4.213, 2.9, 0.6).asks("ask.runs_out", map[string]float64{"lost_l": 0.31, "flow_l_min": 0.9}, nil).with("lost", func(s *state) {
			s.volumes.AddedLMin, s.volumes.DrainedLMin = 1.4, 0.9
			s.alerts.Alerts = []wire.Alert{{Code: wire.AlertRunsOut, Said: wire.Say(fillcalc.Text{Key: "alert.runs_out", Figures: map[string]float64{"lost_l": 0.31, "flow_l_min": 0.9}})}}
		}).noted(),
		aJob("filling", 4.213, 3.53, 0).asks("ask.engine", nil, nil).with("first fill in", func(s *state) { s.about = wire.About{ShopUnits: "imperial"} }),
		aJob("running", 4.213, 3.53, 0.88).asks("ask.gears", nil, nil).with("gears", warming("nearing", 31.2, 233, nan)),
		aJob("running", 4.213, 3.53, 0.88).asks("ask.check", nil, nil).with("warming", warming("nearing", 31.2, 233, nan)).with("warming", func(s *state) {
			for i := range s.job.Flow.GearPlan {
				s.job.Flow.GearPlan[i].Done = true
			}
		}).noted(),
		aJob("running", 4.213, 3.53, 0.88).asks("ask.check_now", nil, nil).asks("ask.hold", map[string]float64{"left_s": 5}, map[string]string{"gear": "R"}).with("hold", warming("closing", 35.6, nan, 35)).with("hold", func(s *state) {
			s.job.Flow.Gear = &wire.JobGear{Gear: "R", LeftS: 5}
		}),
		aJob("running", 4.213, 3.53, 0.88).asks("ask.gears", nil, nil).with("cold start", func(s *state) { s.window.TempC = 12.3 }),
		aJob("checking", 4.213, 4.40, 0.01).asks("ask.wait", nil, nil).with("waiting", warming("nearing", 34.2, 80, nan)),
		aJob("checking", 4.213, 4.40, 0.01).asks("ask.level", map[string]float64{"at_c": 38.4}, nil).with("open", warming("open", 38.4, nan, 200)).noted(),
		aJob("checking", 4.213, 4.40, 0.01).asks("ask.level", map[string]float64{"at_c": 43.9}, nil).with("closing", warming("closing", 43.9, nan, 35)).with("closing", func(s *state) { s.job.Flow.Next[0].Tone = "closing" }),
		aJob("checking", 4.213, 3.95, 0.24).asks("ask.top_up", map[string]float64{"more_l": 0.24}, nil).with("top up", warming("open", 38.4, nan, 200)),
		aJob("checking", 4.213, 4.40, 0.01).asks("ask.close", nil, nil).with("judged", warming("open", 38.4, nan, 200)).with("judged", func(s *state) {
			s.job.Flow.Records, s.job.Verdict, s.job.Passes = []wire.JobRecord{record(fillcalc.LevelAfter, "right")}, doubted, []wire.JobPass{{DrainedL: 4.2, AddedL: 4.4, OldLeftPct: 51}}
			*s = s.asks("ask.drain_again", map[string]float64{"old_left_pct": 51}, nil)
		}).noted(),
		aJob("checking", 4.213, 4.40, 0.01).asks("ask.no_temperature", nil, map[string]string{"fault": "silent"}).with("blind", func(s *state) {
			s.window.State, s.window.TempC, s.window.Quality, s.window.QualityCode = "blind", wire.Number(nan), "probe fluid-probe is silent", "silent"
		}),
		aJob("closed", 4.213, 4.40, nan).asks("ask.open", nil, nil).with("closed", func(s *state) {
			s.job.Flow.Records = []wire.JobRecord{record(fillcalc.LevelAfter, "right")}
			s.job.Verdict = &wire.JobVerdict{Result: "passed"}
		}),
		aJob("closed", 4.213, 4.40, nan).asks("ask.open", nil, nil).with("closed in doubt", func(s *state) {
			torque, filter, gasket := record(fillcalc.Torque, "done"), record(fillcalc.Filter, "done"), record(fillcalc.Gasket, "done")
			torque.AppliedNM, torque.SpecifiedNM, filter.Part, gasket.Part = 11, 10.96, "FLT-2210-B", "GSK-4471-K2"
			s.job.Flow.Records, s.job.Verdict, s.choices = []wire.JobRecord{filter, gasket, torque, record(fillcalc.LevelAfter, "right")}, doubted, offered
			s.job.Window = &wire.JobWindow{LowC: 35, HighC: 45}
			s.job.Batch, s.job.Passes = "B-2026-11/7", []wire.JobPass{{OldLeftPct: 51}}
		}).noted(),
		aJob("running", 4.213, 3.53, 0.88).asks("ask.next_pass", map[string]float64{"pass": 1, "passes": 2}, nil).with("next pass", warming("nearing", 31.2, 233, nan)).with("next pass", func(s *state) {
			s.job.ServiceData.Passes, s.job.Pass = 2, 1
			for i := range s.job.Flow.GearPlan {
				s.job.Flow.GearPlan[i].Done = true
			}
		}),
		aJob("", nan, nan, nan).asks("ask.open", nil, nil).with("no list", func(s *state) {
			s.job.Plan, s.job.Vehicle, s.job.Flow.Phases, s.volumes.CaddyFreeL = nil, "", nil, 8.2
		}),
	}
	return list
}

type fillState = state

// hear lets the board receive a state.
func (s state) hear(b *Board, now time.Time) {
	hear := func(leaf wire.Leaf, m any) { b.hub.receive(bay2+string(leaf), wire.Encode(m), false, now) }
	b.hub.linked(true, "", now)
	hear(wire.PresenceLeaf, json.RawMessage(online("a", now)))
	hear(wire.AboutLeaf, s.about)
	hear(wire.VolumesLeaf, s.volumes)
	hear(wire.WindowLeaf, s.window)
	hear(wire.JobLeaf, s.job)
	hear(wire.AlertsLeaf, s.alerts)
	hear(wire.ChoicesLeaf, s.choices)
}

func named(t testing.TB, name string) state {
	t.Helper()
	for _, s := range states() {
		if strings.HasPrefix(s.name, name) {
			return s
		}
	}
	t.Fatalf("no state %q", name)
	return state{}
}
