package cart

import (
	"cmp"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

var update = flag.Bool("update", false, "write the golden answers in testdata")

// goWords are what nobody should read who does not program.
var goWords = regexp.MustCompile(`(?i)json: |float64|int64|strconv|unmarshal|go value|go struct|invalid character|invalid syntax|shorthand|EOF|parsing time|nil\b|%!|panic`)

// rightFields has correct fields of each command, with the required ones and some others.
var rightFields = map[string]map[string]string{
	"open":    {"fluid": `"fresh"`, "low_c": "35", "high_c": "45"},
	"phase":   {"phase": `"service"`},
	"answer":  {"change": "1", "as": `"fluid"`},
	"enter":   {"what": `"spilled"`, "l": "0.1"},
	"record":  {"item": `"torque"`, "result": `"done"`, "applied": "18"},
	"weigh":   {"sensor": `"supply"`},
	"density": {"sensor": `"supply"`, "fluid": `"new"`, "l": "1"},
	"abandon": {"why": `"x"`},
}

// badValues are values that a field must refuse, by what is wrong with them.
func badValues(f *wire.Field) map[string]string {
	bad := map[string]string{"list": "[1]", "object": `{"a":1}`, "bool": "true"}
	if f.Required {
		bad["nothing"], bad["empty"] = "null", `""`
	}
	switch f.Kind {
	case wire.KindText, wire.KindID, wire.KindChoice, wire.KindMoment:
		bad["number"] = "7"
		bad["huge"] = `"` + strings.Repeat("x", 300) + `"`
	}
	switch f.Kind {
	case wire.KindID:
		bad["blank"] = `"a b"`
	case wire.KindChoice, wire.KindMoment:
		bad["word"] = `"lots"`
	case wire.KindNumber, wire.KindWhole, wire.KindAmount:
		bad["word"], bad["huge"], bad["infinite"], bad["NaN"] = `"lots"`, "1e300", "1e999", `"NaN"`
		if f.Range.Low > -1e9 {
			bad["negative"] = "-1e6"
		}
	}
	switch f.Kind {
	case wire.KindWhole:
		bad["half"] = "1.5"
	case wire.KindAmount:
		bad["unit"], bad["no unit"], bad["comma"], bad["two units"] = `"4 furlongs"`, `"4"`, `"4,5 L"`, `"4 L 2 qt"`
		bad["other quantity"] = map[string]string{"L": `"4 F"`}[string(f.Quantity)]
		if bad["other quantity"] == "" {
			bad["other quantity"] = `"4 qt"`
		}
	}
	return bad
}

// commandOf writes a command with its fields in order.
func commandOf(id, do string, fields map[string]string) string {
	text := fmt.Sprintf(`{"id":%s,"do":%q`, id, do)
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		text += fmt.Sprintf(",%q:%s", name, fields[name])
	}
	return text + "}"
}

// Every field of every command with every kind of bad value: a sentence names the field and
// says what would be right, and nothing has happened. The golden file has the answers, for
// somebody to read.
func TestBadInput(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		var answers, spanish []string
		n := 0
		for i := range wire.Commands {
			c := &wire.Commands[i]
			if c.Do == "phase" { // the others need a job
				l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
				l.live(5, 0.05, 0)
			}
			fields := slices.Clone(c.Fields)
			if c.Do == "republish" { // one for all
				fields = append(fields, *c.MustField("by"), *c.MustField("not_after"))
			}
			for _, f := range fields {
				bad := badValues(&f)
				for _, what := range slices.Sorted(maps.Keys(bad)) {
					n++
					fields := maps.Clone(rightFields[c.Do])
					if fields == nil {
						fields = map[string]string{}
					}
					fields[f.Name] = bad[what]
					before := bridgetest.Bits(l.state)
					r := l.send(commandOf(fmt.Sprintf(`"b%d"`, n), c.Do, fields))
					line := fmt.Sprintf("%s %s=%.40s: %s", c.Do, f.Name, bad[what], r.Error)
					answers = append(answers, line)
					if r.Refused == nil && f.Name != "id" && f.Name != "do" {
						t.Errorf("%s: only in English", line)
					} else if r.Refused != nil {
						spanish = append(spanish, fmt.Sprintf("%s %s=%.40s: %s", c.Do, f.Name, bad[what], r.Refused.For(words.Reader{Language: words.Spanish, Units: units.US})))
					}
					if r.OK || !strings.HasPrefix(r.Error, f.Name+": ") || goWords.MatchString(r.Error) || len(r.Error) > 300 {
						t.Errorf("%s (%t)", line, r.OK)
					}
					if bridgetest.Bits(l.state) != before {
						t.Errorf("%s: something has changed", line)
					}
				}
				// Twice in one message: nobody knows which is meant.
				n++
				value := rightFields[c.Do][f.Name]
				if value == "" {
					value = "1"
				}
				text := commandOf(fmt.Sprintf(`"b%d"`, n), c.Do, rightFields[c.Do])
				text = strings.TrimSuffix(text, "}") + fmt.Sprintf(",%q:%s,%q:%s}", f.Name, value, f.Name, value)
				if r := l.send(text); r.OK || !strings.HasPrefix(r.Error, f.Name+": ") {
					t.Errorf("%s: %+v", text, r)
				}
			}
		}
		checkGolden(t, "badinput.txt", strings.Join(answers, "\n")+"\n")
		checkGolden(t, "badinput-es-us.txt", strings.Join(slices.Compact(spanish), "\n")+"\n")
	})
}

// moments are the states of a job in which a command may come, in order. Each begins with the
// commands of those before it.
var moments = []struct {
	name     string
	commands []string
}{
	{"no job", nil},
	{"ready", []string{bridgetest.OpenJob}},
	{"draining", []string{`"do":"phase","phase":"draining"`}},
	{"service", []string{`"do":"phase","phase":"service"`}},
	{"filling", []string{`"do":"phase","phase":"filling"`}},
	{"running", []string{`"do":"phase","phase":"running","why":"a test"`}},
	{"checking", []string{`"do":"phase","phase":"checking"`}},
	{"closed", []string{`"do":"close","why":"a test"`}},
}

// Every command in every moment of a job, from two senders at once: each answer is a sentence,
// a refused command has changed nothing, and no volume is counted twice or lost.
func TestCommandsAtAnyMoment(t *testing.T) {
	bridgetest.Slow(t)
	for n := range moments {
		for i := range wire.Commands {
			c := &wire.Commands[i]
			synctest.Test(t, func(t *testing.T) {
				l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
				l.live(3, 0, 0)
				for _, m := range moments[:n+1] {
					for _, command := range m.commands {
						l.must(command)
						l.live(5, 0, 0)
					}
					if m.name == "draining" {
						l.live(20, 0.05, 0)
						l.live(5, 0, 0)
					}
				}
				before := newest[wire.Volumes](l, wire.VolumesLeaf)
				for _, sender := range []string{"a", "b"} {
					bits := bridgetest.Bits(l.state)
					r := l.send(commandOf(`"`+sender+`"`, c.Do, rightFields[c.Do]))
					line := fmt.Sprintf("%s, %s from %s: %s", moments[n].name, c.Do, sender, cmp.Or(r.Error, "done"))
					field, _, named := strings.Cut(r.Error, ": ")
					if !r.OK && r.Refused == nil && (!named || strings.Contains(field, " ")) || goWords.MatchString(r.Error) {
						t.Error(line)
					}
					if !r.OK && bridgetest.Bits(l.state) != bits {
						t.Errorf("%s: refused, and something has changed", line)
					}
				}
				l.live(2, 0, 0)
				after := newest[wire.Volumes](l, wire.VolumesLeaf)
				if c.Do != "open" && c.Do != "baseline" && !(sameKg(after.DrainedKg, before.DrainedKg) && sameKg(after.AddedKg, before.AddedKg)) {
					t.Errorf("%s: %s: drained %v kg, was %v; added %v kg, was %v", moments[n].name, c.Do, after.DrainedKg, before.DrainedKg, after.AddedKg, before.AddedKg)
				}
			})
		}
	}
}

// Every kind of entry and every work with nothing, a text, below zero, huge, in a wrong unit,
// twice from two screens at once, and too late: a sentence in each language, nothing lost and
// nothing counted.
func TestEveryEntry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"phase","phase":"draining"`)
		l.live(20, 0.05, 0)
		l.live(6, 0, 0)
		l.must(`"do":"phase","phase":"service"`, `"do":"phase","phase":"filling"`, `"do":"phase","phase":"running","why":"a test"`, `"do":"phase","phase":"checking"`)
		n := 0
		send := func(by, fields string) wire.Reply {
			n++
			return l.send(fmt.Sprintf(`{"id":"e%d","by":%q,%s}`, n, by, fields))
		}
		refused := func(what, fields string) (insist bool) {
			t.Helper()
			before := bridgetest.Bits(l.state)
			r := send("Bo", fields)
			if r.OK || r.Refused == nil || bridgetest.Bits(l.state) != before {
				t.Errorf("%s: %s: %+v, changed %t", what, fields, r, bridgetest.Bits(l.state) != before)
				return false
			}
			english, spanish := r.Refused.For(words.Plain), r.Refused.For(words.Reader{Language: words.Spanish, Units: units.US})
			if english == spanish || strings.Contains(english+spanish, "–") || goWords.MatchString(english+spanish) {
				t.Errorf("%s: %s: %q, %q", what, fields, english, spanish)
			}
			return r.Insist
		}
		entry := func(what, figure, value string) string {
			fields := fmt.Sprintf(`"do":"enter","what":%q`, what)
			if what == "bottle" {
				fields += `,"share":0.5`
			}
			if value != "" {
				fields += fmt.Sprintf(`,%q:%s`, figure, value)
			}
			return fields
		}
		var last []string
		for _, e := range []struct{ what, figure, right string }{
			{"spilled", "l", `"0.1 L"`}, {"retained", "l", `"3 fl oz"`}, {"level", "l", "-0.2"}, {"bottle", "l", `"1 qt"`},
			{"dipstick", "share", "0.4"}, {"opening", "opening", `"drips"`}, {"flush", "", ""},
		} {
			if e.figure != "" {
				refused("nothing", entry(e.what, e.figure, ""))
				for _, bad := range []string{`"lots"`, `"3 furlongs"`, `"4,5 L"`, "-150", "1e9", "1e999"} {
					refused("bad", entry(e.what, e.figure, bad))
				}
			}
			right := entry(e.what, e.figure, e.right)
			if r := send("Ada", right); !r.OK {
				t.Errorf("%s: %s", right, r.Error)
			}
			if !refused("twice", right) {
				t.Errorf("%s: may not be insisted on", right)
			}
			last = append(last, right)
			l.live(1, 0, 0)
		}
		record, _ := wire.CommandNamed("record")
		for _, item := range record.MustField("item").Choices {
			right := fmt.Sprintf(`"do":"record","item":%q,"result":"not_done"`, item)
			for _, bad := range []string{`""`, `"lots"`, "-1", "7"} {
				refused("bad", fmt.Sprintf(`"do":"record","item":%q,"result":%s`, item, bad))
			}
			if r := send("Ada", right); !r.OK {
				t.Errorf("%s: %s", right, r.Error)
			}
			refused("twice", right)
			last = append(last, right)
		}
		if j := &l.state.Job; len(j.Entries) != 7 || len(j.Records) != len(record.MustField("item").Choices) {
			t.Errorf("%d entries, %d records", len(j.Entries), len(j.Records))
		}
		l.must(`"do":"close","why":"a test"`)
		for _, right := range last {
			refused("too late", right)
		}
	})
}

// sameKg compares two weights: they are known to a gram, or both are not.
func sameKg(a, b wire.Number) bool {
	return math.Abs(float64(a-b)) < 0.001 || math.IsNaN(float64(a)) && math.IsNaN(float64(b))
}

// checkGolden compares a text with a file of testdata, or writes it there.
func checkGolden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	wanted := strings.Split(string(want), "\n")
	for i, line := range strings.Split(got, "\n") {
		if i >= len(wanted) || line != wanted[i] {
			t.Fatalf("%s:%d: got %q", path, i+1, line)
		}
	}
}
