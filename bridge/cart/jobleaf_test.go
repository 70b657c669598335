package cart

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// near reports whether a published figure is as expected.
func near(t *testing.T, what string, got wire.Number, want, within float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= within) {
		t.Errorf("%s: %v, want %v within %v", what, got, want, within)
	}
}

func terms(list []wire.BudgetTerm) (names []string) {
	for _, term := range list {
		names = append(names, term.Name)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// TestJobLeaf checks that entries and service data come out as plan, entries, tail,
// uncertainty and overflow.
func TestJobLeaf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		if m := newest[wire.Job](l, wire.JobLeaf); m.Plan != nil || m.Tail != nil || len(m.Entered) != 0 {
			t.Errorf("without a job: %+v", m)
		}
		l.live(3, 0, 0)
		l.must(`"do":"open","fluid":"fresh","used_fluid":"used","low_c":35,"high_c":45,"check":"overflow","typical_l":8,"total_l":9,"bottle_l":1`,
			`"do":"phase","phase":"draining"`)
		l.live(40, 0.05, 0)
		// The flow of a film that runs off (Jeffreys) falls with the power 1.5 of time.
		for s := 1.0; s < 180; s++ {
			l.live(1, 0.5/math.Pow(s+10, 1.5), 0)
		}
		m := newest[wire.Job](l, wire.JobLeaf)
		if m.Tail == nil || !m.Tail.Drips {
			t.Fatalf("tail %+v", m.Tail)
		}
		// What that film still yields: 1 kg·√s·(1/√(190 s) - 1/√(490 s)).
		near(t, "litres in five minutes", m.Tail.In5MinL, (1/math.Sqrt(190)-1/math.Sqrt(490))/0.855, 2*float64(m.Tail.In5MinUL))
		near(t, "litres a minute", m.Tail.FlowLMin, 60*0.5/math.Pow(190, 1.5)/0.855, 0.005)

		drained := float64(m.Tally.DrainedL)
		near(t, "target", m.Plan.TargetL, drained, 0.01)
		l.must(`"do":"enter","what":"spilled","l":0.25,"u_l":0.05,"by":"mara"`,
			`"do":"enter","what":"retained","l":0.4,"u_l":0.02`,
			`"do":"enter","what":"retained","l":-0.1`,
			`"do":"enter","what":"level","l":0.3`,
			`"do":"enter","what":"dipstick","share":0.4`)
		m = newest[wire.Job](l, wire.JobLeaf)
		target := float64(m.Plan.TargetL)
		// At 40 °C used and fresh oil of nearly the same density expand alike; the level's
		// correction is given at 40 °C and is 1.5 % less at 20 °C.
		near(t, "target with what was entered", m.Plan.TargetL, drained+0.25+0.3+0.3*0.985, 0.012)
		near(t, "first fill", m.Plan.FirstFillL, 0.8*target, 0.001)
		near(t, "u of the target", m.Plan.TargetUL, 2*math.Hypot(math.Hypot(0.05, 0.02), math.Hypot(0.3, 0.1)/8), 0.01) // an eighth where none was given
		if *m.Plan.Bottles != int(math.Ceil(target)) || *m.Plan.BottlesOpened != 0 {
			t.Errorf("%d bottles for %v L, %d opened", *m.Plan.Bottles, target, *m.Plan.BottlesOpened)
		}
		if len(m.Entered) != 5 || m.Entered[0].What != "spilled" || m.Entered[0].By != "mara" || m.Entered[0].UL != 0.05 || m.Entered[4].Share != 0.4 || m.EnteredLeftOut != 0 {
			t.Errorf("entered: %+v", m.Entered)
		}
		for _, name := range []string{"density_air", "density_fluid", "drift_drained", "slope", "weighing_end", "weighing_start"} {
			if names := terms(m.Uncertainty.Drained); !slices.Contains(names, name) {
				t.Errorf("terms of drained: %v, without %s", names, name)
			}
		}
		pct := wire.Number(0)
		for _, term := range m.Uncertainty.Balance {
			pct += term.Pct
		}
		near(t, "shares of the balance", pct, 100, 0.01)

		l.must(`"do":"phase","phase":"filling"`)
		if m := newest[wire.Job](l, wire.JobLeaf); m.Tail != nil {
			t.Errorf("a tail while filling: %+v", m.Tail)
		}
		l.live(30, 0, 0.05)
		l.live(5, 0, 0)
		m = newest[wire.Job](l, wire.JobLeaf)
		// 1.5 kg shown, with 0.13 % of buoyancy, of 842.7 kg/m³ at 20 °C.
		near(t, "added", m.Tally.AddedL, 1.782, 0.004)
		near(t, "remaining to the first fill", m.Plan.RemainingL, 0.8*target-float64(m.Tally.AddedL), 0.005)
		if *m.Plan.BottlesOpened != 2 {
			t.Errorf("%d bottles opened for 1.78 L", *m.Plan.BottlesOpened)
		}
		if kinds := planKinds(m); !slices.Contains(kinds, fillcalc.NoteLittle) {
			t.Errorf("notes: %v, want the note that 8 L are typical", kinds)
		}

		l.must(`"do":"phase","phase":"running","why":"the test pours less"`, `"do":"phase","phase":"checking"`)
		before := newest[wire.Job](l, wire.JobLeaf).Tally
		l.live(20, 0.02, 0)
		l.live(5, 0, 0)
		m = newest[wire.Job](l, wire.JobLeaf)
		near(t, "ran over", m.OverflowL, 0.4*1.0013/0.8427, 0.01)
		near(t, "drained in spite of that", m.Tally.DrainedL, float64(before.DrainedL), 1e-9)
		near(t, "balance", m.Tally.BalanceL, float64(before.BalanceL)-float64(m.OverflowL), 0.002)
		if !(m.OverflowUL > 0.005 && m.OverflowUL < 0.05) {
			t.Errorf("± %v L of what ran over", m.OverflowUL)
		}
	})
}

func planKinds(m wire.Job) (kinds []string) {
	for _, note := range m.Plan.Notes {
		kinds = append(kinds, note.Say)
	}
	return kinds
}

// TestJobLeafHasTheServiceData checks that the leaf says what the job goes by: from the
// shop's file, from the command, and null where neither gives it.
func TestJobLeafHasTheServiceData(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines))
		if m := newest[wire.Job](l, wire.JobLeaf); m.ServiceData != nil {
			t.Errorf("without a job: %+v", m.ServiceData)
		}
		dir := t.TempDir()
		l.serviceData = dir // the cart waits for a command
		text := strings.Replace(bridgetest.SmallServiceData, "amber", "fresh", 1)
		if err := os.WriteFile(filepath.Join(dir, "van6.yaml"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l.live(3, 0, 0)
		shown := func() string {
			all := l.all(string(wire.JobLeaf))
			var m struct {
				ServiceData json.RawMessage `json:"service_data"`
			}
			if err := json.Unmarshal(all[len(all)-1].payload, &m); err != nil {
				t.Fatal(err)
			}
			return string(m.ServiceData)
		}
		l.must(`"do":"open","service_data":"van6","low_c":36`)
		// In litres, °C and newton metres, computed from the units' definitions.
		if got := shown(); got != `{"name":"van6","source":"a sheet","asked_fluid":"fresh","typical_l":3.9747,"total_l":8.6118,"first_fill":0.8,"bottle_l":0.9464,"empty_bottle_kg":null,`+
			`"check":"dipstick","low_c":36,"high_c":45,"between_marks_l":0.4732,"bolt_torque_nm":10.9595,"passes":1}` {
			t.Errorf("from the file: %s", got)
		}
		l.must(`"do":"abandon","why":"another one"`, bridgetest.OpenJob+`,"asked_fluid":"ruby","other_fluid":"none in the shop","check":"overflow"`)
		if got := shown(); got != `{"name":null,"source":null,"asked_fluid":"ruby","typical_l":null,"total_l":null,"first_fill":0.8,"bottle_l":null,"empty_bottle_kg":null,`+
			`"check":"overflow","low_c":35,"high_c":45,"between_marks_l":null,"bolt_torque_nm":null,"passes":1}` {
			t.Errorf("from the command: %s", got)
		}
	})
}

// follows runs the cart, and fails when a leaf has differed from the state for longer
// than the leaf's pace.
func (l *lonely) follows(seconds float64, what string, longest time.Duration, same func() bool) {
	l.t.Helper()
	since := time.Now()
	for range int(seconds * 2) {
		l.live(0.5, 0, 0)
		if same() {
			since = time.Now()
		} else if late := time.Since(since); late > longest {
			l.t.Fatalf("%s is %v late", what, late)
		}
	}
}

// TestJobLeafFollowsTheFlow checks that what is asked next changes in the leaf within a
// second, even while no volume changes, and no faster than the leaf's pace.
func TestJobLeafFollowsTheFlow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"running","why":"only a test"`)
		var asked []string
		same := func() bool {
			said, is := newest[wire.Job](l, wire.JobLeaf).Flow, wire.FlowOf(&l.state)
			if n := len(asked); n == 0 || asked[n-1] != said.Next[0].Text {
				asked = append(asked, said.Next[0].Text)
			}
			return slices.EqualFunc(said.Next, is.Next, func(a, b wire.JobAsk) bool { return a.Text == b.Text })
		}
		l.must(`"do":"record","item":"leaks","result":"done"`, `"do":"gear","gear":"R"`)
		began := time.Now()
		l.follows(8, "the gear's countdown", 1500*time.Millisecond, same)
		for s := 5; s > 0; s-- {
			if text := fmt.Sprintf("Hold R for %d s more.", s); !slices.Contains(asked, text) {
				t.Errorf("the leaf never said %q: %q", text, asked)
			}
		}
		l.must(`"do":"phase","phase":"checking"`)
		checking := time.Now()
		for range 80 {
			l.celsius += 0.2
			l.follows(2, "what is asked next", 1500*time.Millisecond, same)
		}
		for _, text := range []string{"Wait for the check window.", "Judge the level now, at 38.0 °C.", "Too warm: wait until the window opens again."} {
			if !slices.Contains(asked, text) {
				t.Errorf("the leaf never said %q: %q", text, asked)
			}
		}
		var last time.Time
		for _, m := range l.all(string(wire.JobLeaf)) {
			if command := m.at.Sub(checking).Abs() < 100*time.Millisecond; !command && m.at.After(began) && m.at.Sub(last) < time.Second-time.Millisecond {
				t.Errorf("two messages %v apart", m.at.Sub(last))
			}
			last = m.at
		}
	})
}

// TestWindowLeafFollowsTheForecast checks that a board that counts down from the last
// message is never far from the present forecast, and receives a new forecast at once.
func TestWindowLeafFollowsTheForecast(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.ProbeLines))
		l.celsius = 22
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"running","why":"only a test"`)
		began, known := time.Now(), 0
		counted := func() bool {
			all := l.all(string(wire.WindowLeaf))
			last := all[len(all)-1]
			var m wire.Window
			if err := json.Unmarshal(last.payload, &m); err != nil {
				t.Fatal(err)
			}
			is, agoS := l.state.CheckWindow(), time.Since(last.at).Seconds()
			if m.State != string(is.State) {
				return false
			}
			for _, f := range []struct{ said, saidU, is wire.Number }{
				{m.OpensInS, m.OpensInUS, wire.Number(is.OpensInS)}, {m.ClosesInS, m.ClosesInUS, wire.Number(is.ClosesInS)},
			} {
				if math.IsNaN(float64(f.said)) != math.IsNaN(float64(f.saidU)) {
					t.Fatalf("%v s with an uncertainty of %v s", f.said, f.saidU)
				}
				// 0.2 s for the leaf's pace and rounding.
				if diff := math.Abs(max(0, float64(f.said)-agoS) - float64(f.is)); math.IsNaN(float64(f.said)) != math.IsNaN(float64(f.is)) ||
					diff > 0.2+max(1, min(5, 0.05*float64(f.said))) {
					return false
				}
				if f.said > 0 {
					known++
				}
			}
			return true
		}
		// Newton's law of cooling toward 90 °C, whose time constant doubles after two
		// minutes, so that the forecast is wrong then.
		tauS := 900.0
		for s := range 800 {
			if s == 120 {
				tauS = 1800
			}
			l.celsius += (90 - l.celsius) / tauS
			l.follows(1, "the forecast", 600*time.Millisecond, counted)
		}
		if known < 100 {
			t.Errorf("%d forecasts: this warm-up tests nothing", known)
		}
		if state := newest[wire.Window](l, wire.WindowLeaf).State; state != "above" {
			t.Errorf("in the end the window is %s", state)
		}
		// And no message is sent because a countdown goes on.
		var last wire.Window
		var at time.Time
		for _, sent := range l.all(string(wire.WindowLeaf)) {
			var m wire.Window
			if err := json.Unmarshal(sent.payload, &m); err != nil {
				t.Fatal(err)
			}
			if took := sent.at.Sub(at); at.After(began) && m.SameWindow(&last, took.Seconds()) && took < slowestNs {
				t.Errorf("%s says nothing new after %v", sent.payload, took)
			}
			last, at = m, sent.at
		}
	})
}

// TestWindowNamesItsSource uses the engine's coolant where there is no probe, and the
// leaf says so; with the capacity known it says what the temperature does to the level.
func TestWindowNamesItsSource(t *testing.T) {
	const coolantLines = `{name: coolant, role: coolant-temp, port: d, protocol: line, pattern: temperature, unit: C}`
	for _, c := range []struct{ sensors, source, quality string }{
		{bridgetest.ProbeLines, "fluid", "good"},
		{coolantLines, "coolant", "coolant: probe coolant stands in for the fluid's temperature"},
		{bridgetest.ProbeLines + ", " + coolantLines, "fluid", "good"},
		{"", "none", "no temperature probe is configured"},
	} {
		t.Run(c.source, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				sensors := []string{bridgetest.CaddyLines}
				if c.sensors != "" {
					sensors = append(sensors, c.sensors)
				}
				l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), sensors...))
				l.celsius = 36
				l.must(bridgetest.OpenJob + `,"total_l":9,"between_marks_l":0.4`)
				for range 20 {
					l.say("probe", "+036.00 C\r\n")
					l.say("coolant", "+036.00 C\r\n")
					time.Sleep(500 * time.Millisecond)
				}
				w := newest[wire.Window](l, wire.WindowLeaf)
				if w.Source != c.source || !strings.HasPrefix(w.Quality, c.quality) {
					t.Errorf("source %s, quality %s", w.Source, w.Quality)
				}
				if c.source == "none" {
					if !math.IsNaN(float64(w.LevelShiftML)) || w.State != "blind" {
						t.Errorf("%+v", w)
					}
					return
				}
				// 4 °C below the middle, 9 L of 846 kg/m³, whose expansion there is by ASTM
				// D1250 Table 54D, from the published formula: α(1 + 1.6·α·23 °C), α = 0.6278/846.
				near(t, "mL", w.LevelShiftML, -9000*4*0.000762, 0.3)
				near(t, "share of the marks", w.LevelShiftShare, float64(w.LevelShiftML)/400, 0.001)
				if w.State != "open" {
					t.Errorf("the window is %s at 36 °C", w.State)
				}
			})
		})
	}
}

// TestChecksByUseAreListed plays a job with a bottle: once it is closed, about lists its
// check of the scale, also after a restart.
func TestChecksByUseAreListed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines)
		l := startLonely(t, config)
		l.live(3, 0, 0)
		l.must(`"do":"open","fluid":"fresh","low_c":35,"high_c":45,"bottle_l":1`)
		l.live(4, 0, 0)
		l.must(`"do":"phase","phase":"draining"`)
		l.live(4, 0, 0)
		l.must(`"do":"phase","phase":"filling"`)
		l.live(6, 0, 0)
		for _, kg := range []float64{-0.9, 0.065} { // taken full, put back empty
			l.supplyKg += kg
			l.live(8, 0, 0)
		}
		l.must(`"do":"clear"`)
		l.live(4, 0, 0)
		if about := newest[wire.About](l, wire.AboutLeaf); about.Checks == nil || len(about.Checks) > 0 {
			t.Errorf("while the job is open: %+v", about.Checks)
		}
		l.must(`"do":"close","why":"a test"`)
		listed := func(when string) {
			t.Helper()
			about := newest[wire.About](l, wire.AboutLeaf)
			if len(about.Checks) != 1 {
				t.Fatalf("%s: %+v of %+v", when, about.Checks, l.state.Job.Changes)
			}
			if c := about.Checks[0]; c.Kind != "slope" || c.Sensor != "supply" || c.Fluid != "fresh" || c.Jobs != 1 {
				t.Errorf("%s: %+v", when, c)
			}
		}
		listed("closed")
		l.stop()
		l = startLonely(t, config)
		l.live(3, 0, 0)
		listed("after a restart")
	})
}
