package wire

import (
	"errors"
	"math"
	"strings"
	"testing"

	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// Figures that are probably not meant are asked back in a sentence, and taken with a reason.
func TestAskBack(t *testing.T) {
	for _, c := range []struct{ command, key string }{
		{`"do":"open","fluid":"amber","low_c":35,"high_c":45`, ""},
		{`"do":"open","fluid":"amber","low_c":95,"high_c":113`, "refuse.window_hot"},
		{`"do":"open","fluid":"amber","low_c":"95 F","high_c":"113 F"`, ""},
		{`"do":"open","fluid":"amber","low_c":"35 F","high_c":"45 F"`, "refuse.window_cold"}, // 1.7 to 7.2 °C
		{`"do":"open","service_data":"estate5","high_c":19`, "refuse.window_cold"},
		{`"do":"open","fluid":"amber","low_c":15,"high_c":25`, ""},
		{`"do":"open","service_data":"estate5"`, ""}, // 75 to 85 °C, by a file that names the unit
		{`"do":"enter","what":"level","l":40`, "refuse.much"},
		{`"do":"enter","what":"spilled","l":"-22 qt"`, "refuse.much"}, // 20.8 L
		{`"do":"enter","what":"retained","l":"20 qt"`, ""},
		{`"do":"enter","what":"spilled","l":"3 gal"`, "refuse.much"},
		{`"do":"enter","what":"spilled","l":2`, ""},
		{`"do":"enter","what":"spilled","l":"-3 gal"`, ""},    // taken back
		{`"do":"enter","what":"bottle","l":25,"share":1`, ""}, // a drum
		{`"do":"record","item":"torque","result":"done","applied":165`, "refuse.torque"},
		{`"do":"record","item":"torque","result":"done","applied":"165 in-lb"`, ""},
		{`"do":"record","item":"torque","result":"done","applied":"11 in-lb"`, "refuse.torque"}, // 1.2 N·m
		{`"do":"record","item":"torque","result":"done","applied":12,"specified":120`, "refuse.torque"},
		{`"do":"record","item":"filter","result":"done"`, ""},
		{`"do":"close"`, ""},
	} {
		ask := func(more string) *fillcalc.Refusal {
			cmd, err := ParseCommand([]byte(`{"id":"1",` + c.command + more + `}`))
			if err != nil {
				t.Fatalf("%s: %v", c.command, err)
			}
			err = cmd.AskBack()
			var asked *fillcalc.Refusal
			if err != nil && !errors.As(err, &asked) {
				t.Fatalf("%s: %v", c.command, err)
			}
			return asked
		}
		asked := ask("")
		switch {
		case (asked == nil) != (c.key == ""), asked != nil && (asked.Key != c.key || !asked.Insist || !words.Knows(c.key)):
			t.Errorf("%s: %+v, want %q", c.command, asked, c.key)
		case asked != nil && strings.Contains(words.Plain.Say(asked.Text), "–"):
			t.Errorf("%s: %q", c.command, words.Plain.Say(asked.Text))
		case c.key != "" && ask(`,"why":"so it stands in the sheet"`) != nil:
			t.Errorf("%s: refused in spite of a reason", c.command)
		}
	}
	cmd, err := ParseCommand([]byte(`{"id":"1","do":"open","fluid":"amber","low_c":95,"high_c":113}`))
	if err != nil {
		t.Fatal(err)
	}
	const want = `low_c: 95.0 °C to 113.0 °C is very hot for a check window. Was 95 to 113 °F meant?`
	if r := Refuse(cmd.AskBack()); !strings.HasPrefix(r.Error, want) || !r.Insist || r.Refused.Say != "refuse.window_hot" {
		t.Errorf("%+v", r)
	}
	if cmd, err = ParseCommand([]byte(`{"id":"1","do":"open","fluid":"amber","low_c":"35 F","high_c":"45 F"}`)); err != nil {
		t.Fatal(err)
	}
	if r := Refuse(cmd.AskBack()); !strings.HasPrefix(r.Error, "high_c: 45 °F is 7 °C, very cold for the end of a check window: is that meant?") {
		t.Errorf("%+v", r)
	}
}

// An entry needs its amount.
func TestEntryWithoutAnAmount(t *testing.T) {
	for command, want := range map[string]string{
		`"what":"spilled"`:          "l: refuse.missing",
		`"what":"retained"`:         "l: refuse.missing",
		`"what":"level"`:            "l: refuse.missing",
		`"what":"bottle"`:           "l: refuse.missing",
		`"what":"spilled","l":""`:   "l: refuse.missing",
		`"what":"spilled","l":null`: "l: refuse.missing",
		`"what":"spilled","l":0`:    "l: refuse.zero",
		`"what":"level","l":0`:      "", // it takes back an earlier one
		`"what":"dipstick"`:         "share: refuse.missing",
	} {
		cmd, err := ParseCommand([]byte(`{"id":"1","do":"enter",` + command + `}`))
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.AskBack(); (err == nil) != (want == "") || err != nil && !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: %v, want %q", command, err, want)
		}
	}
}

// What was understood has figures in SI units, whatever was sent, and a text in both. The
// factors are those of NIST SP 811.
func TestUnderstood(t *testing.T) {
	cmd, err := ParseCommand([]byte(`{"id":"1","do":"open","fluid":"amber","low_c":"95 F","high_c":45,"typical_l":"4 qt","empty_bottle_kg":"2 oz"}`))
	if err != nil {
		t.Fatal(err)
	}
	got := cmd.Understood(units.Metric)
	for i, want := range []struct {
		field, figure string
		si            float64
		text          string
	}{
		{"low_c", "both_c", 35, "35.0 °C (95 F)"}, {"high_c", "both_c", 45, "45.0 °C"}, {"typical_l", "both_l", 3.785411784, "3.79 L (4 qt)"},
		{"empty_bottle_kg", "both_kg", 0.05669904625, "57 g (2 oz)"},
	} {
		if u := got[i]; u.Field != want.field || math.Abs(float64(u.Figures[want.figure])-want.si) > 1e-12 || u.Text != want.text {
			t.Errorf("%+v, want %+v", u, want)
		}
	}
	// A shop reads a bare number in its units beside it, each screen in its own.
	if u := cmd.Understood(units.US)[1]; u.Text != "45.0 °C (113 °F)" || u.For(words.Plain) != "45.0 °C" {
		t.Errorf("%+v", u)
	}
	for fields, want := range map[string]string{
		`"what":"bottle","l":"1 qt","share":0.5`: "50 % of a bottle of 1.00 qt: 0.47 L (0.50 qt)",
		`"what":"dipstick","share":1.25`:         "125 % of the way from the lower mark to the upper one",
		`"what":"spilled","l":0.4`:               "0.40 L (0.42 qt); ± 3.4 fl oz, a quarter: nobody said how well it is known",
		`"what":"spilled","l":0.4,"u_l":0.1`:     "0.40 L (0.42 qt); 100 mL (3.4 fl oz)",
		`"what":"spilled","l":-0.4`:              "-0.40 L (-0.42 qt)",
	} {
		enter, err := ParseCommand([]byte(`{"id":"1","do":"enter",` + fields + `}`))
		if err != nil {
			t.Fatal(err)
		}
		var texts []string
		for _, u := range enter.Understood(units.US) {
			texts = append(texts, u.Text)
		}
		if got := strings.Join(texts, "; "); got != want {
			t.Errorf("%s: %s, want %s", fields, got, want)
		}
	}
	var in fillcalc.Input
	cmd.Fill(&in)
	if in.Job.LowC != 35 || in.Job.TypicalL != 3.785411784 || len(got) != 4 {
		t.Errorf("%+v, %v", in.Job, got)
	}
	for sent, want := range map[string]string{`"applied":18.6`: "18.6 N·m", `"applied":"165 in-lb","specified":12`: "165 in-lb of 12 N·m"} {
		cmd, err := ParseCommand([]byte(`{"id":"1","do":"record","item":"torque","result":"done",` + sent + `}`))
		if err != nil {
			t.Fatal(err)
		}
		var in fillcalc.Input
		if cmd.Fill(&in); in.Record.Written != want {
			t.Errorf("%s is written %q", sent, in.Record.Written)
		}
	}
}

// A blank reason is none, and a text keeps no blanks around it.
func TestBlankReasonIsNone(t *testing.T) {
	if _, err := ParseCommand([]byte(`{"id":"1","do":"abandon","why":" \t\u00a0"}`)); err == nil || !strings.HasPrefix(err.Error(), "why: refuse.missing") {
		t.Errorf("abandoned for nothing: %v", err)
	}
	for _, command := range []string{
		`"do":"phase","phase":"filling"`, `"do":"close"`, `"do":"baseline"`, `"do":"enter","what":"level","l":40`,
		`"do":"record","item":"level","result":"right"`, `"do":"open","fluid":"amber","low_c":95,"high_c":113`,
	} {
		for typed, want := range map[string]string{"   ": "", "\u2003": "", " it is meant ": "it is meant"} {
			cmd, err := ParseCommand([]byte(`{"id":"1",` + command + `,"why":"` + typed + `"}`))
			if err != nil || cmd.Text("why") != want {
				t.Errorf("%s, why %q: %q, %v", command, typed, cmd.Text("why"), err)
			}
		}
	}
}
