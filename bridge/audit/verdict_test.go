package audit

import (
	"crypto/ed25519"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/recordkey"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// played is an invented job while it is played, event by event, as a bridge would keep
// it.
type played struct {
	t                         testing.TB
	s                         fillcalc.State
	events                    []fillcalc.Event // from the opening on
	atNs                      int64
	caddyKg, supplyKg, fluidC float64
	frames                    uint64
	faults                    map[string]fillcalc.Faults
	mute                      map[string]bool
	by                        string
	hider                     names.Hider
	texts                     names.Names // kept of the names
}

// testKey signs the closing records of played jobs.
var testKey = ed25519.NewKeyFromSeed([]byte("a seed of thirty-two characters."))

var testTrust = Trust{NameKey: []byte("a key of the tests"), Keys: []string{recordkey.Public(testKey)}}

var playedAt = time.Date(2026, 11, 3, 9, 0, 0, 0, time.UTC)

// calibrated returns the setup of a cart with two scales and a probe that were calibrated
// half a year before the job.
func calibrated() *fillcalc.Setup {
	at, due := playedAt.AddDate(0, -6, 0).UnixNano(), playedAt.AddDate(0, 6, 0).UnixNano()
	scale := func(sensor string, load fillcalc.Load) fillcalc.ScaleSetup {
		return fillcalc.ScaleSetup{Sensor: sensor, Load: load, ResolutionKg: 0.005, RepeatabilityKg: 0.002, GainU: 0.0005, MaxFlowKgS: 0.15,
			Calibration: &fillcalc.ScaleCalibration{AtNs: at, DueNs: due, Slope: 1.0002, SlopeU: 0.0002, LightestKg: 2, WorstKg: 0.002, Passed: true}}
	}
	return &fillcalc.Setup{
		Shop: "hilltop", Cart: "bay2", ReferenceC: 20, AirKgM3: fillcalc.ConventionalAirKgM3,
		Scales: []fillcalc.ScaleSetup{scale("caddy-scale", fillcalc.CaddyLoad), scale("supply-scale", fillcalc.SupplyLoad)},
		Probe: fillcalc.ProbeSetup{Sensor: "fluid-probe", LagS: 2,
			Calibration: &fillcalc.ProbeCalibration{AtNs: at, DueNs: due, OffsetC: 0.1, Gain: 1, U: 0.1, BestC: 40, GainU: 0.001, Passed: true}},
		Caddy: fillcalc.CaddySetup{EmptyKg: 2, HoldsL: 12},
	}
}

func vanJob() *fillcalc.JobSpec {
	fluid := fillcalc.Fluid{Name: "amber 6", Model: fillcalc.Oil1980, DensityKgM3: 846, AtC: 15, DensityU: 0.001}
	used := fluid
	used.Name, used.DensityKgM3 = "amber 6 used", 858
	return &fillcalc.JobSpec{ID: "van-7", Vehicle: "panel van, long", ServiceData: "van6-overflow", Used: used, Fresh: fluid, LowC: 35, HighC: 45, FirstFill: 0.8,
		Check: fillcalc.ByOverflow, TypicalL: 4, TotalL: 8.6, BottleL: 1, BoltTorqueNM: 10.9596, AskedFluid: "amber 6"}
}

func newPlayed(t testing.TB) *played {
	return &played{t: t, atNs: playedAt.UnixNano(), faults: map[string]fillcalc.Faults{}, mute: map[string]bool{}, texts: names.Names{},
		hider: names.Hider{Key: testTrust.NameKey, Policy: names.Policy{Technician: names.KeepFull, Vehicle: names.KeepFull}, Current: names.Names{}}}
}

func open(t testing.TB, setup *fillcalc.Setup, spec *fillcalc.JobSpec) *played {
	p := newPlayed(t)
	p.caddyKg, p.supplyKg, p.fluidC, p.by = 3.2, 9.1, 24, "Ada"
	p.do(fillcalc.Input{Do: fillcalc.DoStart, Setup: setup})
	p.run(6, 0, 0, 0)
	p.events = nil
	p.do(fillcalc.Input{Do: fillcalc.DoOpen, Job: spec, Setup: setup})
	p.run(1, 0, 0, 0) // until the scales are heard
	return p
}

func (p *played) take(e fillcalc.Event) {
	e.Seq, e.AtNs = p.s.Seq+1, p.atNs
	p.s = fillcalc.Apply(p.s, e)
	p.events = append(p.events, e)
}

func (p *played) do(in fillcalc.Input) {
	p.t.Helper()
	p.atNs += 1e6
	in.By = p.by
	if in.Job != nil {
		spec := *in.Job
		in.Job = &spec
	}
	for _, n := range p.hider.Hide(&in) {
		p.texts[n.Token] = n.Text
	}
	if err := fillcalc.Check(&p.s, &in); err != nil {
		p.t.Fatalf("%s: %v", in.Do, err)
	}
	p.take(fillcalc.Event{Kind: fillcalc.KindInput, Input: &in})
}

func (p *played) phase(phase fillcalc.Phase) {
	p.t.Helper()
	p.do(fillcalc.Input{Do: fillcalc.DoPhase, Phase: phase})
}

func (p *played) record(r fillcalc.Record) {
	p.t.Helper()
	p.do(fillcalc.Input{Do: fillcalc.DoRecord, Record: &r, Why: r.Why})
}

// run lets time pass, with five weights of each scale and one temperature per second.
func (p *played) run(seconds int, drainKgS, pourKgS, warmCS float64) {
	for i := range 5 * seconds {
		p.atNs += 200e6
		p.caddyKg += drainKgS / 5
		p.supplyKg -= pourKgS / 5
		p.fluidC += warmCS / 5
		p.frames++
		say := func(kind fillcalc.Kind, sensor string, v float64) {
			if p.mute[sensor] {
				return
			}
			f := p.faults[sensor]
			if f.Hidden() {
				v = 0
			}
			p.take(fillcalc.Event{Kind: kind, Sensor: sensor, N: p.frames, Value: v, Faults: f})
		}
		say(fillcalc.KindWeight, "caddy-scale", math.Round(p.caddyKg/0.005)*0.005)
		p.atNs++
		say(fillcalc.KindWeight, "supply-scale", math.Round(p.supplyKg/0.005)*0.005)
		p.atNs++
		if i%5 == 0 {
			say(fillcalc.KindTemperature, "fluid-probe", math.Round(10*(p.fluidC+0.1*math.Sin(float64(i))))/10)
			p.atNs++
			p.take(fillcalc.Event{Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoTick}})
		}
	}
}

// keep returns the job as the history keeps it: the points, the messages published once
// per second, and the closing record with its chain.
func (p *played) keep() *Record { return p.keepWith(func(points.Fields) {}) }

// keepWith is the same with another closing record, whose chain and signature are right.
func (p *played) keepWith(change func(points.Fields)) *Record {
	p.t.Helper()
	rec := &Record{Shop: "hilltop", Cart: "bay2", Job: p.s.Job.Spec.ID, From: "bayfill"}
	chain := points.Chain{JobSeq: p.events[0].Seq}
	var s fillcalc.State
	fields := func(text string) points.Fields {
		f, err := points.ParseFields(text)
		if err != nil {
			p.t.Fatal(err)
		}
		return f
	}
	for i := range p.events {
		e := &p.events[i]
		s = fillcalc.Apply(s, *e)
		point, err := points.Of(e, p.texts)
		if err != nil {
			p.t.Fatal(err)
		}
		rec.Points = append(rec.Points, point)
		chain.Head = chain.Head.Link(e)
		if e.Input == nil {
			continue
		}
		seal := chain.Head.Short()
		for _, published := range []points.Published{points.Volumes(&s), points.Window(&s)} {
			f := fields(published.Fields)
			chain.Head = chain.Head.LinkPublished(published.Measurement, e.Seq, f)
			if published.Measurement == "bayfill_volume" {
				f["chain"] = seal
			}
			rec.Points = append(rec.Points, points.Point{Measurement: published.Measurement, AtNs: e.AtNs, Fields: f})
		}
	}
	if !s.Job.Phase.Open() {
		rec.Summary = &points.Point{Measurement: "bayfill_job", AtNs: s.NowNs, Fields: fields(points.Summary(&s, chain, "test", testKey).Fields)}
		change(rec.Summary.Fields)
		head := chain.Head.LinkPublished(points.JobMeasurement, s.Seq, rec.Summary.Fields)
		rec.Summary.Fields[points.ChainField], rec.Summary.Fields[points.SignatureField] = head.String(), recordkey.Sign(testKey, head)
	}
	return rec
}

// byTheBook plays a job up to the level check. The test plays the rest.
func byTheBook(t testing.TB, setup *fillcalc.Setup, spec *fillcalc.JobSpec) *played {
	p := open(t, setup, spec)
	p.run(4, 0, 0, 0)
	p.record(fillcalc.Record{Item: fillcalc.LevelBefore, Result: fillcalc.Right})
	p.phase(fillcalc.Draining)
	p.run(40, 0.06, 0, 0)
	p.run(10, 0, 0, 0)
	p.phase(fillcalc.Service)
	for _, item := range []fillcalc.Item{fillcalc.Filter, fillcalc.Magnet, fillcalc.Pan, fillcalc.Flange, fillcalc.Gasket} {
		p.record(fillcalc.Record{Item: item, Result: fillcalc.Done})
	}
	p.record(fillcalc.Record{Item: fillcalc.Seal, Result: fillcalc.Done, Count: 1})
	p.record(fillcalc.Record{Item: fillcalc.Torque, Result: fillcalc.Done, AppliedNM: 10.9596, Written: "97 in-lb"})
	p.run(5, 0, 0, 0)
	p.phase(fillcalc.Filling)
	p.run(2, 0, 0, 0)
	p.run(40, 0, 0.047, 0)
	p.run(6, 0, 0, 0)
	p.phase(fillcalc.Running)
	for _, gear := range []string{"R", "N", "D", ""} {
		p.do(fillcalc.Input{Do: fillcalc.DoGear, Gear: gear})
		p.run(6, 0, 0, 0.3)
	}
	p.record(fillcalc.Record{Item: fillcalc.Leaks, Result: fillcalc.Done})
	p.phase(fillcalc.Checking)
	return p
}

// topUp pours what is missing and warms the fluid until it is inside the check window.
func (p *played) topUp() *played {
	p.run(10, 0, 0.05, 0.3)
	p.run(20, 0, 0, 0.3)
	return p
}

func (p *played) end() *played {
	p.t.Helper()
	p.do(fillcalc.Input{Do: fillcalc.DoClear})
	p.run(3, 0, 0, 0)
	p.do(fillcalc.Input{Do: fillcalc.DoClose})
	return p
}

var levelRight = fillcalc.Record{Item: fillcalc.LevelAfter, Result: fillcalc.Right}

// A verdict fails or leaves open exactly the rules that each job breaks, and says why.
// What cannot be verified is not passed.
func TestVerdict(t *testing.T) {
	whole := func(setup *fillcalc.Setup, spec *fillcalc.JobSpec) *played {
		p := byTheBook(t, setup, spec).topUp()
		p.record(levelRight)
		return p
	}
	with := func(change func(*fillcalc.Setup, *fillcalc.JobSpec)) *played {
		setup, spec := calibrated(), vanJob()
		change(setup, spec)
		return whole(setup, spec).end()
	}
	for _, c := range []struct {
		name    string
		play    func() *played
		spoil   func(*Record)
		outcome fillcalc.Outcome
		other   string // criteria that did not pass
		says    string
	}{
		{"by the book", func() *played { return whole(calibrated(), vanJob()).end() }, nil, fillcalc.Passed, "", "Judged right at"},
		{"by dipstick", func() *played {
			return with(func(_ *fillcalc.Setup, spec *fillcalc.JobSpec) { spec.Check = fillcalc.ByDipstick })
		}, nil, fillcalc.Passed, "", "Judged right at"},
		{"a reading altered", func() *played { return whole(calibrated(), vanJob()).end() },
			func(r *Record) { r.Points[len(r.Points)-9].Fields["n"] = int64(7) }, fillcalc.Failed, "record failed", "altered or incomplete"},
		{"too little", func() *played {
			p := byTheBook(t, calibrated(), vanJob())
			p.run(30, 0, 0, 0.3)
			p.record(levelRight)
			return p.end()
		}, nil, fillcalc.Failed, "amount failed", "L are missing"},
		{"too much", func() *played {
			p := byTheBook(t, calibrated(), vanJob()).topUp()
			p.run(10, 0, 0.05, 0)
			p.run(5, 0, 0, 0)
			p.record(levelRight)
			return p.end()
		}, nil, fillcalc.Failed, "amount failed", "L are too much"},
		{"the engine never ran", func() *played { // the first fill is in, but not the rest
			p := open(t, calibrated(), vanJob())
			p.phase(fillcalc.Draining)
			p.run(40, 0.06, 0, 0)
			p.run(6, 0, 0, 0)
			p.phase(fillcalc.Filling)
			p.run(40, 0, 0.047, 0)
			p.run(6, 0, 0, 0)
			return p.end()
		}, nil, fillcalc.Failed, "amount failed, level not_verified", "L are missing"},
		{"nobody weighed what was added", func() *played {
			setup := calibrated()
			setup.Scales = setup.Scales[:1]
			p := open(t, setup, vanJob())
			p.phase(fillcalc.Draining)
			p.phase(fillcalc.Filling)
			p.phase(fillcalc.Running)
			p.phase(fillcalc.Checking)
			p.run(60, 0, 0, 0.3)
			p.record(levelRight)
			return p.end()
		}, nil, fillcalc.NotVerified, "amount not_verified", "no bottle was entered"},
		{"level never judged", func() *played { return byTheBook(t, calibrated(), vanJob()).topUp().end() }, nil, fillcalc.NotVerified, "level not_verified", "No level check"},
		{"level low", func() *played {
			p := byTheBook(t, calibrated(), vanJob()).topUp()
			p.record(fillcalc.Record{Item: fillcalc.LevelAfter, Result: fillcalc.Low})
			return p.end()
		}, nil, fillcalc.Failed, "level failed", "Judged low"},
		{"level judged, later low", func() *played {
			p := whole(calibrated(), vanJob())
			p.record(fillcalc.Record{Item: fillcalc.LevelAfter, Result: fillcalc.High})
			return p.end()
		}, nil, fillcalc.Failed, "level failed", "Judged high"},
		{"poured after it was judged", func() *played {
			p := whole(calibrated(), vanJob())
			p.run(3, 0, 0.04, 0)
			p.run(6, 0, 0, 0)
			return p.end()
		}, nil, fillcalc.Failed, "amount failed, level failed", "143 mL were poured or ran out afterwards"},
		{"level judged cold", func() *played {
			p := byTheBook(t, calibrated(), vanJob())
			p.run(10, 0, 0.05, 0)
			p.run(6, 0, 0, 0)
			p.record(fillcalc.Record{Item: fillcalc.LevelAfter, Result: fillcalc.Right, Why: "by hand"})
			return p.end()
		}, nil, fillcalc.Failed, "level failed", "(not yet)"},
		{"level not judged", func() *played {
			p := byTheBook(t, calibrated(), vanJob()).topUp()
			p.record(fillcalc.Record{Item: fillcalc.LevelAfter, Result: fillcalc.NotDone})
			return p.end()
		}, nil, fillcalc.Failed, "level failed", "not judged: not done"},
		{"no probe", func() *played {
			return with(func(setup *fillcalc.Setup, _ *fillcalc.JobSpec) { setup.Probe = fillcalc.ProbeSetup{} })
		}, nil, fillcalc.NotVerified, "level not_verified, calibrations not_verified", "No temperature probe"},
		{"two seals", func() *played {
			p := whole(calibrated(), vanJob())
			p.record(fillcalc.Record{Item: fillcalc.Seal, Result: fillcalc.Done, Count: 2})
			return p.end()
		}, nil, fillcalc.Failed, "seal failed", "2 seals, "},
		{"another fluid", func() *played {
			return with(func(_ *fillcalc.Setup, spec *fillcalc.JobSpec) {
				spec.AskedFluid, spec.OtherFluid, spec.OtherFluidBy = "amber 8", "none on the shelf", "Ada"
			})
		}, nil, fillcalc.Failed, "decisions failed", "amber 6 instead of amber 8: none on the shelf (Ada)"},
		{"abandoned", func() *played {
			p := open(t, calibrated(), vanJob())
			p.run(3, 0, 0, 0)
			p.do(fillcalc.Input{Do: fillcalc.DoAbandon, Why: "wrong van"})
			return p
		}, nil, fillcalc.Failed, "amount not_verified, level not_verified, decisions failed", "given up: wrong van"},
		{"a change left", func() *played {
			p := whole(calibrated(), vanJob())
			p.caddyKg += 1.2
			p.run(8, 0, 0, 0)
			p.do(fillcalc.Input{Do: fillcalc.DoAbandon, Why: "late"})
			return p
		}, nil, fillcalc.Failed, "amount not_verified, decisions failed", "Change 1 (1.20 kg on caddy-scale): nobody said what it was."},
		{"closed with a why", func() *played {
			p := whole(calibrated(), vanJob())
			p.mute["supply-scale"] = true
			p.run(5, 0, 0, 0)
			p.do(fillcalc.Input{Do: fillcalc.DoClose, Why: "its cable broke"})
			return p
		}, nil, fillcalc.Failed, "decisions failed, sensors failed", "closed although not all was measured: its cable broke"},
		{"never calibrated", func() *played {
			return with(func(setup *fillcalc.Setup, _ *fillcalc.JobSpec) { setup.Scales[1].Calibration = nil })
		}, nil, fillcalc.NotVerified, "calibrations not_verified", "supply-scale (supply): no calibration is on record"},
		{"calibration failed", func() *played {
			return with(func(setup *fillcalc.Setup, _ *fillcalc.JobSpec) { setup.Scales[0].Calibration.Passed = false })
		}, nil, fillcalc.Failed, "calibrations failed", "and it failed"},
		{"calibration overdue", func() *played {
			return with(func(setup *fillcalc.Setup, _ *fillcalc.JobSpec) {
				setup.Probe.Calibration.DueNs = playedAt.Add(time.Minute).UnixNano() // in the middle of the job
			})
		}, nil, fillcalc.NotVerified, "calibrations not_verified", "fluid-probe (fluid): calibrated 2026-05-03, and the next was overdue"},
		{"calibrated after", func() *played {
			return with(func(setup *fillcalc.Setup, _ *fillcalc.JobSpec) {
				setup.Scales[0].Calibration.AtNs = playedAt.AddDate(0, 0, 1).UnixNano()
			})
		}, nil, fillcalc.Failed, "calibrations failed", "after the job"},
		{"a hole in the draining", func() *played {
			p := open(t, calibrated(), vanJob())
			p.phase(fillcalc.Draining)
			p.mute["caddy-scale"] = true
			p.run(4, 0, 0, 0)
			p.mute["caddy-scale"] = false
			p.run(4, 0, 0, 0)
			p.do(fillcalc.Input{Do: fillcalc.DoAbandon, Why: "a test"})
			return p
		}, nil, fillcalc.Failed, "level not_verified, decisions failed", "caddy-scale was not heard from 09:00 UTC on, for "},
		{"the supply silent while it is not needed", func() *played {
			p := open(t, calibrated(), vanJob())
			p.phase(fillcalc.Draining)
			p.mute["supply-scale"] = true
			p.run(20, 0, 0, 0)
			p.do(fillcalc.Input{Do: fillcalc.DoAbandon, Why: "a test"})
			return p
		}, nil, fillcalc.Failed, "level not_verified, decisions failed", "No instrument fell silent"},
		{"overloaded", func() *played {
			p := whole(calibrated(), vanJob())
			p.faults["caddy-scale"] = fillcalc.FaultOverload
			p.run(1, 0, 0, 0)
			p.faults["caddy-scale"] = 0
			p.run(5, 0, 0, 0)
			return p.end()
		}, nil, fillcalc.Failed, "sensors failed", "caddy-scale said overload"},
		{"damaged frames between good ones", func() *played {
			p := whole(calibrated(), vanJob())
			p.faults["caddy-scale"] = fillcalc.FaultChecksum
			p.run(1, 0, 0, 0)
			p.faults["caddy-scale"] = 0
			p.run(5, 0, 0, 0)
			return p.end()
		}, nil, fillcalc.Passed, "", "No instrument fell silent"},
		{"the probe fell silent", func() *played {
			p := byTheBook(t, calibrated(), vanJob()).topUp()
			p.mute["fluid-probe"] = true
			p.run(12, 0, 0, 0)
			p.record(levelRight)
			return p.end()
		}, nil, fillcalc.Failed, "level not_verified, sensors failed", "Nobody knows how warm"},
	} {
		rec := c.play().keep()
		if c.spoil != nil {
			c.spoil(rec)
		}
		v := Judge(Check(rec, testTrust), fillcalc.DefaultToleranceL, words.Plain)
		var other, says []string
		for _, criterion := range v.Criteria {
			if criterion.Counts && criterion.Outcome != fillcalc.Passed {
				other = append(other, criterion.Name+" "+string(criterion.Outcome))
			}
			says = append(says, criterion.Says...)
		}
		said := strings.Join(says, "\n")
		if v.Outcome != c.outcome || strings.Join(other, ", ") != c.other || !strings.Contains(said, c.says) {
			t.Errorf("%s: %s by %q, want %s by %q and %q in\n%s", c.name, v.Outcome, strings.Join(other, ", "), c.outcome, c.other, c.says, said)
		}
	}
}

// An empty record is not passed.
func TestVerdictOfNothing(t *testing.T) {
	v := Judge(Check(&Record{Job: "gone"}, testTrust), fillcalc.DefaultToleranceL, words.Plain)
	if v.Outcome == fillcalc.Passed || v.Criteria[0].Outcome == fillcalc.Passed {
		t.Errorf("%+v", v)
	}
}

// The amount passes up to the sum of its uncertainty and the tolerance.
func TestVerdictTolerance(t *testing.T) {
	p := byTheBook(t, calibrated(), vanJob())
	p.run(30, 0, 0, 0.3)
	p.record(levelRight)
	rep := Check(p.end().keep(), testTrust)
	plan, err := rep.state.Plan()
	if err != nil {
		t.Fatal(err)
	}
	justL := plan.RemainingL - 2*plan.RemainingUL
	for toleranceL, want := range map[float64]fillcalc.Outcome{0: fillcalc.Failed, justL - 1e-6: fillcalc.Failed, justL + 1e-6: fillcalc.Passed} {
		if v := Judge(rep, toleranceL, words.Plain); v.Criteria[1].Outcome != want {
			t.Errorf("with %g L: %+v", toleranceL, v.Criteria[1])
		}
	}
}

// A record of another version of the calculation may be right: it is left open.
func TestVerdictOfAnotherVersion(t *testing.T) {
	p := byTheBook(t, calibrated(), vanJob()).topUp()
	p.record(levelRight)
	rec := p.end().keep()
	rep := Check(rec, testTrust)
	rep.find(Differs, 9, 0, "finding.record_differs", nil, nil)
	if v := Judge(rep, fillcalc.DefaultToleranceL, words.Plain); v.Outcome != fillcalc.Failed {
		t.Errorf("it differs, and is %s", v.Outcome)
	}
	rec = p.keepWith(func(f points.Fields) { f["fold"] = int64(fillcalc.FoldVersion + 1) })
	rep = Check(rec, testTrust)
	if !slices.ContainsFunc(rep.Findings, func(f Finding) bool {
		return f.Kind == Version && strings.HasPrefix(f.Text, "It was computed by version 2 of the calculation, this program has 1")
	}) {
		t.Errorf("%+v", rep.Findings)
	}
	if v := Judge(rep, fillcalc.DefaultToleranceL, words.Plain); v.Outcome != fillcalc.NotVerified || v.Criteria[0].Outcome != fillcalc.NotVerified {
		t.Errorf("%+v", v)
	}
}
