package study

import (
	"fmt"
	"reflect"
	"strings"
	"testing"

	"bayfill/fillcalc"
)

func TestDistributionErrorsNameLineAndField(t *testing.T) {
	for text, want := range map[string][]string{
		"scale:\n  noize_d: [0, 1]\n":                   {"line 2", "noize_d"},
		"scales: {}\n":                                  {"line 1", "scales"},
		"scale:\n  noise_d: much\n":                     {"line 2", "noise_d"},
		"scale:\n\n  noise_d: [1, 0.5]\n":               {"line 3", "scale.noise_d", "study.limits"},
		"scale:\n  noise_d: [0.5]\n":                    {"line 2", "noise_d"},
		"scale:\n  noise_d: [0.5, 1, 2]\n":              {"line 2", "noise_d"},
		"scale:\n  resolution_g: []\n":                  {"line 2", "scale.resolution_g", "study.none"},
		"scale:\n  rate_hz: [10, 0]\n":                  {"line 2", "scale.rate_hz", "config.span", "typed:0", "least:1", "most:200"},
		"moves:\n  kick_share: 1.5\n":                   {"line 2", "moves.kick_share", "typed:1.5", "most:1"},
		"moves:\n  kick_kg: [0, .inf]\n":                {"line 2", "moves.kick_kg"},
		"pan:\n  slow_share: .nan\n":                    {"line 2", "pan.slow_share"},
		"pan:\n  slow_share: 0.8\n  laid_share: 1\n":    {"line 3", "pan.laid_share"},
		"scale:\n  lag_share: 0.6\n  hold_share: 0.6\n": {"line 3", "scale.hold_share", "1.2"},
		"pan:\n  - 1\n":                                 {"line 2"},
		"pan: [\n":                                      {"line"},
	} {
		_, err := ParseDistribution([]byte(text))
		wrong, is := err.(*DistributionError)
		for _, part := range want {
			if said := fmt.Sprint(wrong, wrong.Why.Names); !is || !strings.Contains(said, part) {
				t.Errorf("%q: %v\nwant %q in it", text, said, part)
			}
		}
	}
}

func TestADistributionNamesOnlyWhatDiffers(t *testing.T) {
	d, err := ParseDistribution([]byte("scale:\n  noise_d: [0.2, 1]\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := DefaultDistribution()
	want.Scale.NoiseD = Range{0.2, 1}
	if !reflect.DeepEqual(d, want) {
		t.Errorf("%+v\nwant %+v", d, want)
	}
	if d, err = ParseDistribution([]byte("# nothing\n")); err != nil || !reflect.DeepEqual(d, DefaultDistribution()) {
		t.Errorf("an empty file: %v", err)
	}
}

// Every parameter is in the embedded file, with a comment: an unintended zero would
// go unnoticed.
func TestEmbeddedDistributionIsWhole(t *testing.T) {
	text := string(embedded)
	var walk func(group reflect.Type)
	walk = func(group reflect.Type) {
		for i := range group.NumField() {
			field := group.Field(i)
			key := field.Tag.Get("yaml") + ":"
			if field.Type.Kind() == reflect.Struct {
				walk(field.Type)
				continue
			}
			line := ""
			for l := range strings.Lines(text) {
				if strings.HasPrefix(l, "  "+key) {
					line = l
				}
			}
			if !strings.Contains(line, "#") {
				t.Errorf("%s stands in no line with a remark", key)
			}
			if low, high := limits(field); !(low < high) {
				t.Errorf("%s has no limits", key)
			}
		}
	}
	walk(reflect.TypeFor[Distribution]())
}

// Any file gives an error with a text, or a distribution within its limits from which
// jobs can be drawn, and never a panic.
func FuzzDistribution(f *testing.F) {
	f.Add(string(embedded))
	for _, text := range []string{
		"scale:\n  noise_d: [0.2, 1]\n", "# nothing\n", "pan:\n  slow_share: 0.8\n  laid_share: 1\n", "scale: {rate_hz: [5, 10], resolution_g: []}",
		"scale: null\nmoves: {kick_kg: null}", "fluid: &a {density_kg_m3: [810, 1000]}\nscale: *a", "manual: {jug_step_l: 1e-3}\n---\nmanual: {}", "moves: [", "cart: {heel_kg: [.nan, .inf]}",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, err := ParseDistribution([]byte(text))
		if err != nil {
			if err.Error() == "" || d != nil {
				t.Fatalf("%v and %v", d, err)
			}
			return
		}
		for number := range uint64(3) {
			p := newPlay(d, 1, number, nil)
			if err := fillcalc.Check(&fillcalc.State{}, &fillcalc.Input{Do: fillcalc.DoStart, Setup: &p.drawn.setup}); err != nil {
				t.Fatalf("job %d cannot be played: %v", number, err)
			}
			if err := p.do(fillcalc.Input{Do: fillcalc.DoOpen, Job: &p.drawn.spec}); err != nil {
				t.Fatalf("job %d cannot be opened: %v", number, err)
			}
		}
	})
}
