package points_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"crypto/ed25519"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

var update = flag.Bool("update", false, "renew the recorded figures in testdata/fold")

// foldJobs are the recorded jobs in testdata/fold; the README.md there says what each
// one shows. Each has two files of points, one line each: NAME.line.gz holds the job as
// an audit exports it, NAME.figures.gz the published figures that a history does not
// keep.
var foldJobs = []string{
	"abandoned", "bottles", "caddy-only", "drips", "hole", "lean", "one-scale", "poured", "rag", "real-parts", "restart", "swap",
}

const (
	foldDir = "../../testdata/fold"
	// momentNs is the time between two recorded moments. Each command is one as well.
	momentNs = 10e9
	// headMeasurement and figuresMeasurement are those of a figures file: its first
	// line, which names the version of the fold, and a moment.
	headMeasurement    = "fold"
	figuresMeasurement = "figures"
)

const foldChanged = "the fold's figures changed: raise FoldVersion (after the first release) or renew with -update (before it)"

// The same events give the same figures, bit for bit, as long as FoldVersion is the
// same.
func TestFold(t *testing.T) {
	for _, job := range foldJobs {
		t.Run(job, func(t *testing.T) {
			lineFile, figuresFile := filepath.Join(foldDir, job+".line.gz"), filepath.Join(foldDir, job+".figures.gz")
			was := readPoints(t, lineFile)
			is, figures := foldAgain(t, was)
			if *update {
				writePoints(t, lineFile, is)
				writePoints(t, figuresFile, figures)
				return
			}
			wasFigures := readPoints(t, figuresFile)
			for file, version := range map[string]any{lineFile: was[len(was)-1].Fields["fold"], figuresFile: wasFigures[0].Fields["fold"]} {
				if version != int64(fillcalc.FoldVersion) {
					t.Fatalf("%s was recorded by version %v of the fold, FoldVersion is %d: renew with -update", file, version, fillcalc.FoldVersion)
				}
			}
			all := append(differences(lineFile, was, is), differences(figuresFile, wasFigures, figures)...)
			for _, difference := range all[:min(len(all), 10)] {
				t.Error(difference)
			}
			if len(all) > 0 {
				t.Fatalf("%d figures differ: %s", len(all), foldChanged)
			}
			auditRecord(t, was)
		})
	}
}

// Each file in testdata/fold belongs to a job that TestFold reads.
func TestFoldReadsEveryFile(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(foldDir, "*.gz"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		job, _, _ := strings.Cut(filepath.Base(file), ".")
		if !slices.Contains(foldJobs, job) {
			t.Errorf("%s: no test reads it, add %q to foldJobs", file, job)
		}
	}
}

// foldKey signs the recorded jobs.
var foldKey = ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))

// foldAgain folds the events of a recorded job, and returns the job with what is
// published now instead of what was published then, and the other figures.
func foldAgain(t *testing.T, recorded []points.Point) (record, figures []points.Point) {
	t.Helper()
	var s fillcalc.State
	var batch journal.Batch
	lastNs := int64(math.MinInt64 / 2)
	figures = []points.Point{{Measurement: headMeasurement, Fields: points.Fields{"fold": int64(fillcalc.FoldVersion)}}}
	events := slices.DeleteFunc(slices.Clone(recorded), func(p points.Point) bool {
		return p.Measurement != points.ReadingMeasurement && p.Measurement != points.InputMeasurement
	})
	for i := range events {
		e, err := events[i].Event()
		if err != nil {
			t.Fatal(err)
		}
		batch.Events = append(batch.Events, e)
		command := e.Input != nil && e.Input.Do != fillcalc.DoTick
		accepted := command && fillcalc.Check(&s, e.Input) == nil
		s = fillcalc.Apply(s, e)
		if !command && e.AtNs-lastNs < momentNs {
			continue
		}
		lastNs = e.AtNs
		batch.Published = append(batch.Published, points.Volumes(&s), points.Window(&s))
		f := figuresOf(&s)
		f["seq"] = int64(e.Seq)
		if command {
			f["accepted"] = accepted
		}
		figures = append(figures, points.Point{Measurement: figuresMeasurement, AtNs: e.AtNs, Fields: f})
	}
	batch.LinkChain(points.Chain{})
	return withPublished(t, events, append(batch.Published, points.Summary(&s, batch.Chain, "test", foldKey))), figures
}

// withPublished returns events with what was published after each.
func withPublished(t *testing.T, events []points.Point, published []points.Published) (record []points.Point) {
	t.Helper()
	for _, event := range events {
		record = append(record, event)
		for len(published) > 0 && event.Fields["seq"] == int64(published[0].Seq) {
			f, err := points.ParseFields(published[0].Fields)
			if err != nil {
				t.Fatal(err)
			}
			record = append(record, points.Point{Measurement: published[0].Measurement, AtNs: event.AtNs, Fields: f})
			published = published[1:]
		}
	}
	return record
}

// figuresOf returns the published figures of a state that the history does not keep,
// unrounded, with the names of the leaves. Texts for people are no figures.
func figuresOf(s *fillcalc.State) points.Fields {
	f := points.Fields{}
	j, w := wire.JobOf(s), wire.WindowOf(s)
	addFigures(f, "plan", reflect.ValueOf(j.Plan))
	addFigures(f, "tail", reflect.ValueOf(j.Tail))
	addFigures(f, "overflow_l", reflect.ValueOf(j.OverflowL))
	addFigures(f, "overflow_u_l", reflect.ValueOf(j.OverflowUL))
	addFigures(f, "at_other_temperatures", reflect.ValueOf(j.AtOther))
	addFigures(f, "entered", reflect.ValueOf(j.Entered))
	addFigures(f, "changes", reflect.ValueOf(j.Changes))
	addFigures(f, "questions", reflect.ValueOf(j.Questions))
	addFigures(f, "clear_weighings", reflect.ValueOf(j.Clears))
	addFigures(f, "gear", reflect.ValueOf(j.Flow.Gear))
	addFigures(f, "level_shift_ml", reflect.ValueOf(w.LevelShiftML))
	addFigures(f, "level_shift_share", reflect.ValueOf(w.LevelShiftShare))
	addFigures(f, "source", reflect.ValueOf(w.Source))
	for i, a := range s.Alerts() {
		f[fmt.Sprintf("alerts.%d.kind", i)] = a.Kind()
	}
	// The terms themselves: the leaf has no signs, and combines all changes.
	for volume, budget := range map[string]fillcalc.Budget{
		"drained": s.Budget(fillcalc.DrainedTally), "added": s.Budget(fillcalc.AddedTally), "balance": s.BalanceBudget(),
	} {
		for i, term := range budget {
			f[fmt.Sprintf("budget.%s.%d.%s of %s", volume, i, term.Name, term.Of)] = term.L
		}
	}
	return f
}

// addFigures adds a value under its name, and what a struct or a list holds under
// that name and their own. Figures that are not known are left out, as in the
// history.
func addFigures(f points.Fields, name string, v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			addFigures(f, name, v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			switch key, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ","); key {
			case "": // embedded
				addFigures(f, name, v.Field(i))
			case "text":
			default:
				addFigures(f, name+"."+key, v.Field(i))
			}
		}
	case reflect.Map:
		for key, value := range v.Seq2() {
			addFigures(f, name+"."+key.String(), value)
		}
	case reflect.Slice:
		for i := range v.Len() {
			addFigures(f, fmt.Sprintf("%s.%d", name, i), v.Index(i))
		}
	case reflect.Float64:
		if !math.IsNaN(v.Float()) {
			f[name] = v.Float()
		}
	case reflect.Int:
		f[name] = v.Int()
	case reflect.Bool:
		f[name] = v.Bool()
	case reflect.String:
		if v.String() != "" {
			f[name] = v.String()
		}
	default:
		panic("figure " + name + " is a " + v.Type().String())
	}
}

// differences names each figure that is not the same, floats to the last bit. The
// chain is left out: it differs wherever a figure before it does.
func differences(file string, was, is []points.Point) (list []string) {
	for i := range max(len(was), len(is)) {
		if i >= len(was) || i >= len(is) || was[i].Measurement != is[i].Measurement || was[i].AtNs != is[i].AtNs {
			return append(list, fmt.Sprintf("%s: line %d is at another moment, or missing", file, i+1))
		}
		names := maps.Clone(was[i].Fields)
		maps.Copy(names, is[i].Fields)
		for _, name := range slices.Sorted(maps.Keys(names)) {
			before, now := was[i].Fields[name], is[i].Fields[name]
			if !sameBits(before, now) && name != points.ChainField {
				list = append(list, fmt.Sprintf("%s: event %v, %s: %s was %v, is %v", file, is[i].Fields["seq"], is[i].Measurement, name, before, now))
			}
		}
	}
	return list
}

func sameBits(a, b any) bool {
	x, float := a.(float64)
	y, floats := b.(float64)
	if float && floats {
		return math.Float64bits(x) == math.Float64bits(y)
	}
	return a == b
}

// auditRecord audits a recorded job, so that nobody changes its events unnoticed.
func auditRecord(t *testing.T, recorded []points.Point) {
	t.Helper()
	summary := recorded[len(recorded)-1]
	report := audit.Check(&audit.Record{Shop: "test", Cart: "cart", Job: fmt.Sprint(summary.Fields["job"]),
		Points: recorded[:len(recorded)-1], Summary: &summary}, audit.Trust{})
	if !report.SameAndComplete() {
		t.Errorf("the audit of the record finds %+v", report.Findings)
	}
}

func readPoints(t *testing.T, file string) (list []points.Point) {
	t.Helper()
	f, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("%s is missing: record it as its README.md says", file)
	}
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	lines := bufio.NewScanner(z)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		p, _, _, err := points.ParseLine(lines.Text())
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		list = append(list, p)
	}
	if err := lines.Err(); err != nil || len(list) == 0 {
		t.Fatalf("%s: %d lines, %v", file, len(list), err)
	}
	return list
}

func writePoints(t *testing.T, file string, list []points.Point) {
	t.Helper()
	var text bytes.Buffer
	for i := range list {
		fmt.Fprintln(&text, list[i].Line("test", "cart"))
	}
	bridgetest.WriteGzip(t, file, text.Bytes())
}
