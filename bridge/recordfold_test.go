package bridge

import (
	"bytes"
	"flag"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
	"bayfill/sim"
	"bayfill/sim/study"
)

var recordFold = flag.Bool("record-fold", false, "record the jobs in testdata/fold anew")

// foldJob is a job of the study, and how the recording differs from what was played
// there.
type foldJob struct {
	name    string
	short   bool                      // it pours less than the first fill
	drainS  float64                   // the pan stays open for so long, up to twice that
	number  int                       // of the job in the study with seed 1
	shop    func(*study.Distribution) // what happens more often than in the base world
	spec    func(*fillcalc.JobSpec)
	caddy   fillcalc.CaddySetup
	slope   *fillcalc.ScaleCalibration           // of every scale
	without string                               // the sensor that is not there
	entries map[fillcalc.Phase][]*fillcalc.Entry // what people enter when a phase begins
	until   fillcalc.Phase                       // the job is abandoned before this phase; empty: it is closed
}

// foldJobs are those of the study's first jobs in which together most of what a scale
// shows happens.
var foldJobs = []foldJob{
	{name: "abandoned", drainS: 30, number: 49, until: fillcalc.Filling},
	{name: "bottles", short: true, drainS: 30, number: 52, caddy: fillcalc.CaddySetup{EmptyKg: 2.4, HoldsL: 12},
		slope: &fillcalc.ScaleCalibration{AtNs: 1_780_000_000e9, DueNs: 1_811_536_000e9, Slope: 1.0008, SlopeU: 0.0002, WorstKg: 0.005, LightestKg: 5, Passed: true},
		spec: func(s *fillcalc.JobSpec) {
			s.Used.Model, s.Used.Points = fillcalc.DensityPoints, []fillcalc.DensityPoint{{C: 0, KgM3: 862}, {C: 40, KgM3: 836}, {C: 100, KgM3: 799}}
			s.Check, s.TypicalL, s.TotalL, s.BottleL, s.BetweenMarksL = fillcalc.ByDipstick, 4, 9, 1, 0.4
		},
		entries: map[fillcalc.Phase][]*fillcalc.Entry{
			fillcalc.Ready:    {{What: fillcalc.EnterLevel, L: 0.2, UL: 0.05}},
			fillcalc.Filling:  {{What: fillcalc.EnterSpilled, L: 0.1, UL: 0.03}, {What: fillcalc.EnterRetained, L: 0.25, UL: 0.05}},
			fillcalc.Checking: {{What: fillcalc.EnterDipstick, Share: 0.4}},
		}},
	{name: "caddy-only", drainS: 30, number: 52, without: "supply", caddy: fillcalc.CaddySetup{EmptyKg: 2, HoldsL: 3.5},
		spec: func(s *fillcalc.JobSpec) {
			s.Used.Model, s.Check, s.BottleL = fillcalc.Oil1980, fillcalc.ByOverflow, 1
		},
		entries: map[fillcalc.Phase][]*fillcalc.Entry{fillcalc.Filling: {
			{What: fillcalc.EnterBottle, L: 1, Share: 1}, {What: fillcalc.EnterBottle, L: 0.5, Share: 0.6},
			{What: fillcalc.EnterBottle, L: 1, Share: 1}, {What: fillcalc.EnterBottle, L: 0.946, Share: 1},
		}}},
	{name: "drips", drainS: 150, number: 64},
	{name: "hole", drainS: 30, number: 207, shop: func(d *study.Distribution) { d.Moves.GapRunningShare, d.Moves.GapShare = 1, 1 }},
	{name: "lean", drainS: 30, number: 50, shop: func(d *study.Distribution) { d.Moves.LeanShare = 1 }},
	{name: "poured", drainS: 30, number: 52, shop: func(d *study.Distribution) { d.Cart.BottlesShare = 1 }},
	{name: "rag", drainS: 30, number: 49, shop: func(d *study.Distribution) { d.Moves.RagShare = 1 }},
	{name: "one-scale", drainS: 30, number: 69},
	{name: "restart", drainS: 30, number: 114},
	{name: "swap", drainS: 30, number: 122, shop: func(d *study.Distribution) { d.Moves.CaddyEmptiedShare, d.Moves.SupplySwappedShare = 1, 1 }},
}

// TestRecordFoldJobs writes the events of the jobs in testdata/fold; how to go on is
// said in the README.md there. Without -record-fold it does nothing.
func TestRecordFoldJobs(t *testing.T) {
	if !*recordFold {
		t.Skip("-record-fold is not given")
	}
	for _, job := range foldJobs {
		t.Run(job.name, func(t *testing.T) {
			config := journaltest.Config(t, t.TempDir(), bridgetest.CaddyLines)
			journaltest.KeepJobs(t, config, []string{job.name}, job.events(t))
			writeEvents(t, config.JournalPath("cart"), job.name, job.name)
		})
	}
	t.Run("real-parts", recordRealParts)
}

// recordRealParts records a job that the whole bridge measures: instruments on
// pseudo-terminals, a broker, a history and the clock of this computer, which runs
// ten times as fast.
func recordRealParts(t *testing.T) {
	broker, history := bridgetest.StartMosquitto(t), bridgetest.StartInflux(t)
	const speed = 10
	rig := bridgetest.NewRigAt(t, speed, 0.5) // half as many readings
	config := testConfig(t, rig, t.TempDir(), broker.URL, history.URL)
	s := bridgetest.Subscribe(t, broker.URL, "", "", "bayfill/#")
	_, stop := runBridge(t, config, speed)
	ready(t, s)
	shortJob(t, rig, s, func(string) {})
	answerAll(s)
	s.Must(`"do":"phase","phase":"running","why":"the test pours less"`, `"do":"gear","gear":"R"`)
	rig.Do((*sim.Cart).StartEngine)
	bridgetest.Eventually(t, time.Minute, "an open window", func() bool { return bridgetest.Read[wire.Window](s, wire.WindowLeaf).State == string(fillcalc.Open) })
	s.Must(`"do":"gear"`, `"do":"phase","phase":"checking"`, `"do":"record","item":"level","result":"right"`)
	rig.Do((*sim.Cart).StopEngine)
	bridgetest.Eventually(t, 30*time.Second, "quiet scales", func() bool { return bridgetest.Read[wire.Volumes](s, wire.VolumesLeaf).Quality == "good" })
	answerAll(s)
	s.Must(`"do":"close","why":"a test"`)
	stop()
	writeEvents(t, config.JournalPath("cart"), "job-1", "real-parts")
}

// events are those of the study's job, changed.
func (f *foldJob) events(t *testing.T) (events []fillcalc.Event) {
	t.Helper()
	// Short, and with fewer readings than usual: small files.
	d := study.DefaultDistribution()
	d.Work.DrainS, d.Work.ServiceS = study.Range{f.drainS, 2 * f.drainS}, study.Range{30, 60}
	d.Work.WarmUpS, d.Work.CheckS = study.Range{30, 60}, study.Range{10, 20}
	d.Scale.RateHz = study.Choice{3, 6}
	if f.shop != nil {
		f.shop(d)
	}
	for _, e := range study.Events(d, 1, f.number) {
		in := e.Input
		if f.without != "" && e.Sensor == f.without {
			continue
		}
		if f.until != "" && in != nil && in.Phase == f.until {
			break
		}
		events = append(events, e)
		if in == nil {
			continue
		}
		f.change(in)
		phase := in.Phase
		if in.Do == fillcalc.DoOpen {
			phase = fillcalc.Ready
		}
		for i, entry := range f.entries[phase] {
			// Milliseconds apart, since the ids of the commands hold those.
			atNs := e.AtNs + int64(i+1)*2e6
			events = append(events, fillcalc.Event{AtNs: atNs, Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoEnter, Entry: entry}})
		}
	}
	return events
}

// change gives an input this job's cart and service data.
func (f *foldJob) change(in *fillcalc.Input) {
	if in.Setup != nil {
		in.Setup.Caddy = f.caddy
		in.Setup.Scales = slices.DeleteFunc(slices.Clone(in.Setup.Scales), func(s fillcalc.ScaleSetup) bool { return s.Sensor == f.without })
		for i := range in.Setup.Scales {
			in.Setup.Scales[i].Calibration = f.slope
		}
	}
	if f.short && in.Phase == fillcalc.Running {
		in.Why = "the test pours less"
	}
	if in.Job != nil && f.spec != nil {
		f.spec(in.Job)
	}
}

// writeEvents writes the events of a job in a journal as lines of a history, without
// what was published.
func writeEvents(t *testing.T, journal, job, file string) {
	t.Helper()
	r, err := audit.FromJournal(t.Context(), journal, "test", "cart", job, 0)
	if err != nil {
		t.Fatal(err)
	}
	r.Summary = nil
	r.Points = slices.DeleteFunc(r.Points, func(p points.Point) bool {
		return p.Measurement != points.ReadingMeasurement && p.Measurement != points.InputMeasurement
	})
	var lines bytes.Buffer
	if err := r.Write(&lines, audit.LineProtocol); err != nil {
		t.Fatal(err)
	}
	bridgetest.WriteGzip(t, filepath.Join("..", "testdata", "fold", file+".line.gz"), lines.Bytes())
}
