package words_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"

	"bayfill/bridge/audit"
	"bayfill/bridge/doctor"
	"bayfill/bridge/names"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// The files are YAML too, for the tools of translators.
func TestCataloguesAreYAML(t *testing.T) {
	for _, l := range words.Languages {
		names, err := filepath.Glob(string(l.Language) + "/*.yaml")
		if err != nil {
			t.Fatal(err)
		}
		all := map[string]string{}
		for _, name := range names {
			var part map[string]string
			text, err := os.ReadFile(name)
			if err == nil {
				err = yaml.Unmarshal(text, &part)
			}
			if err != nil {
				t.Error(err)
			}
			maps.Copy(all, part)
		}
		if !maps.Equal(all, words.Sentences(l.Language)) {
			t.Errorf("%s: YAML reads %d other sentences than the %d", l.Language, len(all), len(words.Sentences(l.Language)))
		}
	}
}

// The sentences of all languages are about the same figures and names.
func TestLanguagesHaveTheSameKeys(t *testing.T) {
	english := words.Sentences(words.English)
	for _, l := range words.Languages {
		other := words.Sentences(l.Language)
		for key, sentence := range english {
			if got, want := mentioned(other[key]), mentioned(sentence); other[key] == "" || !slices.Equal(got, want) {
				t.Errorf("%s: %s: %q mentions %q, in English %q", l.Language, key, other[key], got, want)
			}
		}
		for key := range other {
			if english[key] == "" {
				t.Errorf("%s: %s is not in English", l.Language, key)
			}
		}
	}
}

// A sentence was translated: none is the same in two languages. Some single words are.
func TestSentencesAreTranslated(t *testing.T) {
	english := words.Sentences(words.English)
	letters := regexp.MustCompile(`\pL{3,}`)
	for key, sentence := range words.Sentences(words.Spanish) {
		if sentence == english[key] && len(letters.FindAllString(braces.ReplaceAllString(sentence, ""), -1)) > 1 {
			t.Errorf("%s is English: %s", key, sentence)
		}
	}
}

var braces = regexp.MustCompile(`\{[^{}]*\}`)

// mentioned lists the names in a sentence's braces, each once.
func mentioned(sentence string) []string {
	all := map[string]bool{}
	for _, part := range braces.FindAllString(sentence, -1) {
		name, _, _ := strings.Cut(strings.Trim(part, "{}@"), "|")
		all[name] = true
	}
	return slices.Sorted(maps.Keys(all))
}

// A sentence is plain text: no brace is left over, nothing is doubled or cut, and what looks
// up a word finds a catalogue's list of that name.
func TestSentencesAreWhole(t *testing.T) {
	lists := map[string]bool{}
	for key := range words.Sentences(words.English) {
		list, _, _ := strings.Cut(key, ".")
		lists[list] = true
	}
	for _, l := range words.Languages {
		for key, sentence := range words.Sentences(l.Language) {
			rest := braces.ReplaceAllString(sentence, "")
			if strings.ContainsAny(rest, "{}") || strings.Contains(sentence, "  ") || strings.TrimSpace(sentence) != sentence {
				t.Errorf("%s: %s: %q", l.Language, key, sentence)
			}
			for _, part := range braces.FindAllString(sentence, -1) {
				if name, look := strings.CutPrefix(strings.Trim(part, "{}"), "@"); look && !lists[name] {
					t.Errorf("%s: %s looks up %s, and there is no list of that name", l.Language, key, name)
				}
			}
		}
	}
}

// lists are the keys that the program builds from closed lists.
func lists() (keys []string) {
	add := func(prefix string, names ...string) {
		for _, name := range names {
			keys = append(keys, prefix+"."+name)
		}
	}
	for _, name := range []string{"phase", "enter", "record"} {
		c, err := wire.CommandNamed(name)
		if err != nil {
			panic(err)
		}
		for _, f := range c.Fields {
			switch f.Name {
			case "item", "result", "phase", "what":
				add(f.Name, f.Choices...)
			}
		}
	}
	add("phase", string(fillcalc.Ready), string(fillcalc.Closed), string(fillcalc.Abandoned))
	add("scale", string(fillcalc.CaddyLoad), string(fillcalc.SupplyLoad), string(fillcalc.BothLoad))
	add("instrument", "caddy", "supply", "caddy+supply", "transmission-temp", "caddy-temp", "coolant-temp")
	add("more", "more", "less")
	for _, c := range new(fillcalc.State).Verdict(0).Criteria {
		if !slices.Contains(fillcalc.WorkItems(), fillcalc.Item(c.Name)) {
			add("criterion", c.Name)
		}
	}
	add("criterion", "record")
	for _, o := range fillcalc.Outcomes {
		add("outcome", string(o))
	}
	add("role", "caddy", "supply", "caddy+supply", "fluid", "coolant")
	add("frame", "overload", "underload", "sensor", "unit", "no_unit")
	for _, tone := range fillcalc.Tones {
		add("tone", string(tone))
	}
	add("bay", "level_low", "level_right", "level_high")
	for _, phase := range []fillcalc.Phase{fillcalc.Ready, fillcalc.Draining, fillcalc.Service, fillcalc.Filling, fillcalc.Running, fillcalc.Checking, fillcalc.Closed} {
		add("bay", "step_"+string(phase))
	}
	for _, why := range []string{"no_broker", "not_heard", "contract", "unreadable", "offline", "last_known", "silent"} {
		add("bay", "standing_"+why, "dead_"+why)
	}
	for _, as := range []fillcalc.Label{fillcalc.AsFluid, fillcalc.AsGone, fillcalc.AsThing, fillcalc.AsContainer, fillcalc.AsBottle} {
		add("answer", string(as), string(as)+"_means")
	}
	for _, as := range []fillcalc.Label{fillcalc.AsGone, fillcalc.AsThing} {
		add("answer", string(as)+"_back", string(as)+"_back_means")
	}
	add("name", string(names.NotProven), string(names.NotKept), string(names.Gone), string(names.Forged))
	add("signature", "none", "trusted", "not_trusted", "broken", "unknown_key")
	add("kind", "missing", "added", "order", "altered", "unreadable", "no_record", "differs", "other_fold", "open", "not_ended", "no_beginning", "misplaced", "forged", "unsigned")
	add("notice", "alert", "remark", "sensor", "start")
	add("cause", string(fillcalc.Sudden), string(fillcalc.Away), string(fillcalc.Backward), string(fillcalc.Knock))
	add("check", string(fillcalc.ByDipstick), string(fillcalc.ByOverflow))
	add("direction", "up", "down")
	add("teller", fillcalc.BySignal)
	add("volume", "drained", "added", "overflow", "balance", "undecided", "target", "missing")
	add("opening", string(fillcalc.OpeningRuns), string(fillcalc.OpeningDrips), string(fillcalc.OpeningDry))
	add("by", "day", "month")
	add("unsaid", "by", "note")
	add("remedy", "damaged", "gone", "full", "failing", "read_only", "locked", "full_or_failing")
	for _, rule := range []audit.Rule{audit.OneBeyond3, audit.TwoBeyond2, audit.FourBeyond1, audit.EightOneSide, audit.RangeBeyond, audit.EWMABeyond} {
		add("rule", string(rule))
	}
	for i := range wire.Commands {
		add("help", "job_"+wire.Commands[i].Do)
	}
	add("help", "job_level", "job_bottle", "job_dipstick")
	add("help", "group_try", "group_up", "group_run", "group_job", "group_prove", "group_develop")
	add("help", "heading_usage", "heading_aliases", "heading_examples", "heading_available", "heading_additional", "heading_flags", "heading_global")
	for _, word := range []string{"drain", "shut", "tip", "pour", "stop", "engine", "off", "bottle", "refill", "swap", "empty", "vehicle", "tool", "take", "lean", "kick", "wind", "weight", "probe", "unplug", "plug", "cart", "fast", "wait", "truth", "help", "quit"} {
		add("sim", "word_"+word)
	}
	add("sim", "replay_line", "replay_seconds", "replay_bytes", "replay_order")
	for _, chapter := range []string{"drain", "fill", "check", "audit"} {
		add("demo", "chapter_"+chapter)
	}
	for _, o := range []fillcalc.Outcome{fillcalc.Passed, fillcalc.NotVerified, fillcalc.Failed} {
		add("demo", "means_"+string(o))
	}
	add("part", "filter", "seal", "magnet", "pan", "flange", "gasket", "torque")
	for _, c := range fillcalc.QualityCodes() {
		add("quality", string(c))
		if words.Knows("fault." + string(c)) { // only what a person can repair
			add("fault", string(c))
		}
	}
	for _, w := range []fillcalc.WindowState{fillcalc.Blind, fillcalc.Below, fillcalc.Nearing, fillcalc.Open, fillcalc.Closing, fillcalc.Above, fillcalc.NoWindow} {
		add("window", string(w))
	}
	for _, c := range []sensors.Condition{sensors.Missing, sensors.NoAccess, sensors.Busy, sensors.Silent, sensors.Nonsense, sensors.Stuck, sensors.PortFailed} {
		add("alert", "sensor_"+string(c))
	}
	for _, c := range []sensors.Cause{sensors.SevenEven, sensors.SevenOdd, sensors.NULBytes} {
		add("alert", "sensor_nonsense_"+string(c))
	}
	for _, c := range []sensors.Cause{sensors.OpenFiles, sensors.NotSerial, sensors.SpeedRejected} {
		add("alert", "sensor_failed_"+string(c))
	}
	add("service", "by_"+string(fillcalc.ByDipstick), "by_"+string(fillcalc.ByOverflow))
	add("value", "number", "whole", "text", "bool", "list", "group")
	add("config", "unknown_key_near", "misplaced_key_near")
	add("checked", string(doctor.OK), string(doctor.Look), string(doctor.Wrong))
	add("lack", fillcalc.Lacks()...)
	add("budget", fillcalc.TermNames()...)
	add("advice", fillcalc.TermNames()...)
	for i := range wire.Commands {
		for _, f := range wire.Commands[i].AllFields() {
			add("field", f.Name)
		}
	}
	add("field", "bolt_torque_nm") // of the service data
	return append(keys, words.GlossaryKeys()...)
}

// Every key is used by the program, and every key that the program uses is there.
func TestKeysAreUsed(t *testing.T) {
	used := map[string]bool{}
	for _, key := range lists() {
		used[key] = true
		if !words.Knows(key) {
			t.Errorf("%s is not in the catalogue", key)
		}
	}
	prefixes := map[string]bool{}
	for key := range words.Sentences(words.English) {
		prefix, _, _ := strings.Cut(key, ".")
		prefixes[prefix] = true
	}
	quoted := regexp.MustCompile("[\"`]([a-z]+)\\.([a-z_+-]+)[\"`]")
	for path, text := range sources(t) {
		places := strings.Contains(path, "/config/") // its other dotted names are places in the configuration
		for _, m := range quoted.FindAllStringSubmatch(text, -1) {
			key := m[1] + "." + m[2]
			used[key] = true
			if prefixes[m[1]] && !places && !words.Knows(key) && !strings.HasSuffix(key, "_") && !strings.HasSuffix(key, ".html") {
				t.Errorf("%s is not in the catalogue", key)
			}
		}
	}
	for key := range words.Sentences(words.English) {
		if !used[key] {
			t.Errorf("%s is never said", key)
		}
	}
}

// sources are the texts of the program's Go files and templates, by their paths.
func sources(t *testing.T) map[string]string {
	texts := map[string]string{}
	for _, dir := range []string{"bridge", "cmd", "fillcalc", "sensors", "sim"} {
		err := filepath.WalkDir(filepath.Join("..", "..", dir), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || strings.HasSuffix(path, "_test.go") || !slices.Contains([]string{".go", ".html", ".js"}, filepath.Ext(path)) {
				return err
			}
			text, err := os.ReadFile(path)
			texts[path] = string(text)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return texts
}

// A text in each kind of units and language.
func TestSay(t *testing.T) {
	utc := func(l words.Language, u units.System) words.Reader {
		return words.Reader{Language: l, Units: u, Zone: time.FixedZone("", 3600)}
	}
	pour := fillcalc.Text{Key: "ask.pour", Figures: map[string]float64{"more_l": 1.1829411825}} // 1.25 qt
	at := fillcalc.Text{Key: "ask.went", Figures: map[string]float64{"went_kg": 0.45359237}, Names: map[string]string{"scale": "supply", "at": "2026-11-25T09:08:00Z"}}
	missing := fillcalc.Text{Key: "remark.missing", Names: map[string]string{"item": "pan seal"}}
	for _, c := range []struct {
		r    words.Reader
		t    fillcalc.Text
		want string
	}{
		{utc(words.English, units.US), pour, "Pour 1.25 qt more for the first fill."},
		{utc(words.English, units.Metric), pour, "Pour 1.18 L more for the first fill."},
		{utc(words.Spanish, units.Imperial), pour, "Eche 2.08 pt imp más para la primera carga."},
		{utc(words.English, units.US), at, "1.00 lb went off the supply's scale at 10:08 and did not come back. What was it?"},
		{words.Plain, at, "0.45 kg went off the supply's scale at 09:08 UTC and did not come back. What was it?"},
		{utc(words.Spanish, units.Metric), missing, "Sin anotar: cárter limpio, junta del filtro, una sola"},
		{words.Plain, fillcalc.Text{Key: "ask.pour"}, "Pour – more for the first fill."},
		{words.Plain, fillcalc.Text{Key: "ask.from_a_newer_version"}, "ask.from_a_newer_version"},
		{words.Plain, fillcalc.Text{}, ""},
		// Torques of one sentence have one unit: 22 N·m is 195 in-lb, or 16.2 ft-lb.
		{utc(words.English, units.US), fillcalc.Text{Key: "remark.torque", Figures: map[string]float64{"applied_nm": 40, "specified_nm": 22}},
			"The pan bolts were tightened to 29.5 ft-lb; 16.2 ft-lb are asked for"},
		// The ends of a range are exact, and stand in one unit.
		{utc(words.English, units.Metric), fillcalc.Text{Key: "refuse.range_l", Figures: map[string]float64{"least_l": 0, "most_l": 1000}, Names: map[string]string{"typed": "-1 L"}},
			"-1 L is out of range: 0 to 1000 L. Is its unit right?"},
		{utc(words.Spanish, units.US), fillcalc.Text{Key: "refuse.above_l", Figures: map[string]float64{"least_l": 0, "most_l": 100}, Names: map[string]string{"typed": "0 qt"}},
			"0 qt está fuera de lo posible: más de 0 y como máximo 105.7 qt. ¿Es esa la unidad?"},
		{utc(words.English, units.US), fillcalc.Text{Key: "refuse.torque", Figures: map[string]float64{"torque_nm": 165, "least_nm": 2, "most_nm": 60}},
			"121.7 ft-lb is no usual torque of pan bolts, which is 1.5 to 44.3 ft-lb. Write the unit, such as \"165 in-lb\". If it is right, say why."},
		// A word of the catalogue begins a sentence with a capital letter, a name stays as it is.
		{words.Plain, fillcalc.Text{Key: "alert.sensor_unplugged", Names: map[string]string{"instrument": "caddy"}}, "The caddy's scale is not connected: plug in its cable."},
		{words.Plain, fillcalc.Text{Key: "remark.fluid", Names: map[string]string{"fluid": "amber", "asked": "ruby", "why": "none there"}}, "amber instead of ruby: none there"},
		{words.Plain, fillcalc.Text{Key: "alert.history_refused", Figures: map[string]float64{"lines": 1}}, "The history refused 1 line for good: bayfill history refused lists them with the reason."},
		{words.Plain, fillcalc.Text{Key: "alert.calibration_overdue", Names: map[string]string{"instrument": "coolant-temp", "due_day": "2026-02-01T12:00:00Z", "cart": "bay2", "sensor": "probe"}},
			"The coolant probe was due for calibration on 2026-02-01: bayfill calibrate --cart bay2 --sensor probe"},
	} {
		if got := c.r.Say(c.t); got != c.want {
			t.Errorf("%v: %q, want %q", c.r, got, c.want)
		}
	}
}

// An error is said in the reader's words through whatever wraps it; what others say stays.
func TestFault(t *testing.T) {
	spanish := words.Reader{Language: words.Spanish}
	unset := words.NewError("config.no_variable", "variable", "X")
	wrapped := fmt.Errorf("a.yaml: %w", words.NewError("config.line", "line", 3, "why", fmt.Errorf("broker.password: %w", unset)))
	for _, c := range []struct {
		err              error
		english, spanish string
	}{
		{nil, "", ""},
		{errors.New("the server says so"), "the server says so", "the server says so"},
		{fmt.Errorf("--script: %w", &fs.PathError{Op: "open", Path: "a", Err: syscall.ENOENT}), "--script: a: no such file or folder: is its name right?", "--script: a: no existe ese archivo o carpeta: ¿es correcto su nombre?"},
		{&url.Error{Op: "Get", URL: "http://x", Err: &net.OpError{Op: "dial", Addr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1}, Err: os.NewSyscallError("connect", syscall.ECONNREFUSED)}},
			"127.0.0.1:1: nothing listens there: is the server running, and are address and port right?", "127.0.0.1:1: ahí no escucha nadie: ¿funciona el servidor, y son correctos dirección y puerto?"},
		{&net.DNSError{Name: "x.example"}, "no computer of the name x.example is known: is the address right?", "no se conoce ningún ordenador de nombre x.example: ¿es correcta la dirección?"},
		{fmt.Errorf("asking: %w", context.DeadlineExceeded), "asking: it does not answer: is the address right, and does a firewall let the port through?", "asking: no responde: ¿es correcta la dirección, y deja pasar el puerto el cortafuegos?"},
		{&fillcalc.Refusal{Field: "change", Text: fillcalc.Text{Key: "refuse.missing"}}, "change: This is missing.", "change: Falta esto."},
		{wrapped, "a.yaml: line 3: broker.password: environment variable X is not set", "a.yaml: línea 3: broker.password: la variable de entorno X no está puesta"},
		{errors.Join(unset, fs.ErrExist), "environment variable X is not set\nit is there already: take another name, or delete it", "la variable de entorno X no está puesta\nya existe: elija otro nombre, o bórrelo"},
	} {
		if got := words.Plain.Fault(c.err); got != c.english {
			t.Errorf("%q, want %q", got, c.english)
		}
		if got := spanish.Fault(c.err); got != c.spanish {
			t.Errorf("%q, want %q", got, c.spanish)
		}
	}
	if !errors.Is(wrapped, unset) {
		t.Error("the cause is lost")
	}
}

// Figures by the unit in which their names end.
func TestFigure(t *testing.T) {
	us := words.Reader{Language: words.English, Units: units.US}
	for name, c := range map[string]struct {
		si   float64
		want string
	}{
		"in_l": {0.946352946, "1.00 qt"}, "flow_l_min": {0.946352946, "1.0 qt/min"}, "load_kg": {0.45359237, "1.00 lb"}, "at_c": {35, "95 °F"},
		"applied_nm": {18.6, "165 in-lb"}, "share_pct": {12.34, "12.3 %"}, "left_s": {4.1, "5 s"}, "long_s": {600, "10 min"}, "age_s": {3 * 86400, "3 d"},
		"over_min": {2, "2 min"}, "count": {3, "3"},
	} {
		if got := us.Figure(name, c.si); got != c.want {
			t.Errorf("%s of %g is %q, want %q", name, c.si, got, c.want)
		}
	}
}

// FuzzSay says each sentence with any figures and names: never a panic, and valid text.
func FuzzSay(f *testing.F) {
	f.Add("ask.pour", "more_l", 1.5, "scale", "caddy")
	f.Add("alert.moved_slope", "moved_pct", -0.1, "more", "less")
	f.Add("remark.missing", "item", 1.0, "item", "pan  seal {@x}")
	f.Add("ask.came", "at", 1e300, "at", "2026-99-01T00:00:00Z")
	f.Fuzz(func(t *testing.T, key, figure string, si float64, name, value string) {
		for _, l := range words.Languages {
			r := words.Reader{Language: l.Language, Units: units.Imperial}
			text := r.Say(fillcalc.Text{Key: key, Figures: map[string]float64{figure: si}, Names: map[string]string{name: value}})
			if utf8.ValidString(key) && utf8.ValidString(value) && !utf8.ValidString(text) {
				t.Fatalf("%q", text)
			}
			if words.Knows(key) && strings.TrimFunc(text, unicode.IsSpace) == "" {
				t.Fatalf("%s says nothing", key)
			}
		}
	})
}

func ExampleReader_Say() {
	text := fillcalc.Text{Key: "ask.top_up", Figures: map[string]float64{"more_l": 0.2839058838}}
	for _, r := range []words.Reader{{Language: words.English, Units: units.US}, {Language: words.Spanish, Units: units.Metric}} {
		fmt.Println(r.Say(text))
	}
	// Output:
	// Top up by 0.30 qt.
	// Añada 0.28 L.
}

// The glossary explains each code that people meet, in each language, without a figure that
// is missing.
func TestGlossary(t *testing.T) {
	for _, l := range words.Languages {
		r := words.Reader{Language: l.Language, Units: units.US}
		explained := map[string]bool{}
		for _, topic := range r.Glossary() {
			for _, term := range topic.Terms {
				explained[term.Code] = true
				if term.Heading() == "" || len(term.Means) < 8 || strings.Contains(topic.Title+term.Word+term.Means, "–") || strings.Contains(term.Heading()+term.Means, "glossary.") {
					t.Errorf("%s: %q: %q", l.Language, term.Heading(), term.Means)
				}
			}
		}
		for _, key := range lists() {
			list, code, _ := strings.Cut(key, ".")
			if strings.Contains(code, "_back") || strings.HasSuffix(code, "_means") {
				continue
			}
			if slices.Contains([]string{"phase", "window", "quality", "answer", "what", "item", "result", "outcome", "criterion"}, list) && !explained[code] {
				t.Errorf("%s: %s is not explained", l.Language, key)
			}
		}
	}
}
