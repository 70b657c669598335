package main

import (
	"reflect"
	"strings"
	"testing"

	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// What a person types becomes what is sent: a bare number in the units shown.
func TestEntered(t *testing.T) {
	for _, c := range []struct {
		do, field, text string
		system          units.System
		want            any
	}{
		{"enter", "l", "1", units.Metric, 1.0},
		{"enter", "l", "−0.2", units.Metric, -0.2},
		{"enter", "l", ".5", units.US, ".5 qt"},
		{"enter", "l", "-2", units.Imperial, "-2 pt imp"},
		{"enter", "l", "350 mL", units.US, "350 mL"},
		{"open", "low_c", "95", units.US, "95 °F"},
		{"open", "low_c", "35", units.Imperial, 35.0},
		{"open", "empty_bottle_kg", "2 oz", units.Metric, "2 oz"},
		{"record", "applied", "165", units.US, "165 in-lb"},
		{"record", "applied", "14", units.Imperial, "14 ft-lb"},
		{"record", "applied", "18.6", units.Metric, 18.6},
		{"record", "count", "1", units.US, 1},
		{"record", "note", "-5", units.US, "-5"},
		{"enter", "share", "0.5", units.US, 0.5},
	} {
		command, err := wire.CommandNamed(c.do)
		if err != nil {
			t.Fatal(err)
		}
		e := entries{command: command, words: []string{c.field}, message: map[string]any{}, amounts: map[string]string{}}
		if err := e.set(c.field, c.text); err != nil {
			t.Errorf("%s %s: %v", c.field, c.text, err)
		}
		if e.complete(c.system); !reflect.DeepEqual(e.message[c.field], c.want) {
			t.Errorf("%s %s: sent as %#v, want %#v", c.field, c.text, e.message[c.field], c.want)
		}
	}
	for _, c := range []struct{ do, field, text, want string }{
		{"enter", "l", "lots", "L: lots is not understood. Write an amount with its unit, such as 4 qt. Units are L, mL, qt"},
		{"enter", "l", "4 F", "L: 4 F is not understood"},
		{"enter", "l", "4,5", "L: 4,5 has a decimal comma. Write a point: 4.5."},
		{"open", "low_c", "warm", "LOW_C: warm is not understood. Write an amount with its unit, such as 95 F."},
		{"enter", "share", "half", "SHARE: half is not a number, such as 0.5"},
		{"enter", "share", "NaN", "SHARE: NaN is not a number, such as 0.5"},
		{"answer", "change", "two", "CHANGE: two is not a whole number, such as 1"},
		{"answer", "change", "1.5", "CHANGE: 1.5 is not a whole number, such as 1"},
	} {
		command, err := wire.CommandNamed(c.do)
		if err != nil {
			t.Fatal(err)
		}
		e := entries{command: command, words: []string{c.field}, message: map[string]any{}, amounts: map[string]string{}}
		err = e.set(c.field, c.text)
		if err == nil {
			t.Fatalf("%s is taken", c.text)
		}
		if said := e.refused(words.Plain, new(wire.Refuse(err))).Error(); !strings.HasPrefix(said, c.want) {
			t.Errorf("%s: %s, want %s", c.text, said, c.want)
		}
	}
}

// What was understood is printed in the SI unit and in the reader's, or as it was typed.
func TestUnderstood(t *testing.T) {
	for _, c := range []struct {
		system     units.System
		text, want string
	}{
		{units.US, "1", "spilled: 0.95 L (1.00 qt)"}, {units.US, "350 mL", "spilled: 0.35 L (0.37 qt)"}, {units.US, "2 pt imp", "spilled: 1.14 L (1.20 qt)"},
		{units.Metric, "2 pt imp", "spilled: 1.14 L (2 pt imp)"}, {units.Metric, "−0.2", "spilled: -200 mL"}, {units.Imperial, "1", "spilled: 0.57 L (1.00 pt imp)"},
	} {
		enter, err := wire.CommandNamed("enter")
		if err != nil {
			t.Fatal(err)
		}
		e := entries{command: enter, words: enter.Words, message: map[string]any{"id": "1", "do": "enter", "what": "spilled"}, amounts: map[string]string{}}
		if err := e.set("l", c.text); err != nil {
			t.Fatal(err)
		}
		e.complete(c.system)
		command, err := wire.ParseCommand(wire.Encode(e.message))
		if err != nil {
			t.Fatal(err)
		}
		r := words.Reader{Language: words.English, Units: c.system}
		if got := e.understood(r, command.Understood(units.Metric))[0]; got != c.want {
			t.Errorf("%s: %q, want %q", c.text, got, c.want)
		}
	}
}

// Mistakes on the command line are answered in plain words, before anything is sent.
func TestPlainErrors(t *testing.T) {
	setContact(t, "tcp://127.0.0.1:1", "", "")
	for _, c := range []struct{ args, want string }{
		{"job enter spilled lots", "L: lots is not understood. Write an amount with its unit, such as 4 qt. Units are L, mL, qt"},
		{"job enter spilled -0.2 --lowc 3", "--lowc: bayfill job enter has no such flag: see bayfill job enter --help"},
		{"job open --low-x 95", "--low-x: bayfill job open has no such flag: did you mean --low-c?"},
		{"job close --wait soon", `--wait: "soon" is not a time, such as 10s or 2m`},
		{"job close --why", "--why: its value is missing"},
		{"watch --units imperal", `--units: "imperal" is not one of metric, us, imperial`},
		{"watch --lang fr", `--lang: "fr" is not one of en, es`},
		{"demo --seed x", `--seed: "x" is not a number, such as 1`},
		{"jbo --lang es", "jbo: no hay esa orden: ¿quería decir bayfill job?"},
		{"job open --low-x 95 --lang es", "--low-x: bayfill job open no tiene esa opción: ¿quería decir --low-c?"},
		{"demo --seed x --lang es", `--seed: "x" no es un número, como 1`},
		{"ticket --lang es", "ticket: falta JOB: diga bayfill ticket JOB"},
		{"watch --units imperal --lang es", `--units: "imperal" no es ninguno de metric, us, imperial`},
		{"job enter spilled -0.2 --wait 100ms", "nothing was sent"}, // the number is no flag
	} {
		status, _, errors := program(t.Context(), strings.Fields(c.args)...)
		if status == 0 || !strings.Contains(errors, c.want) {
			t.Errorf("%s: status %d: %s, want %s", c.args, status, errors, c.want)
		}
		for _, word := range []string{"strconv", "shorthand", "float64", "unmarshal"} {
			if strings.Contains(errors, word) {
				t.Errorf("%s: a word of Go: %s", c.args, errors)
			}
		}
	}
}

// Amounts over a real broker: asked back, insisted on, and echoed.
func TestAmountsByCommandLine(t *testing.T) {
	b := openBay(t, "")
	b.soon(t, "the sensors", func(s shown) bool { return s.about.ShopUnits == "metric" && sound(s.alerts) })
	said := func(want string, args ...string) {
		t.Helper()
		if _, out, errors := program(t.Context(), append([]string{"job"}, args...)...); !strings.Contains(out+errors, want) {
			t.Errorf("job %s: %s%s, want %s", strings.Join(args, " "), out, errors, want)
		}
	}
	said("95.0 °C to 113.0 °C is very hot for a check window. Was 95 to 113 °F meant?", "open", "--fluid", "amber 6", "--low-c", "95", "--high-c", "113")
	said("Give the reason with --why.", "open", "--fluid", "amber 6", "--low-c", "95", "--high-c", "113")
	said("203 °F to 235 °F is very hot for a check window. Was 95 to 113 °F meant?", "open", "--fluid", "amber 6", "--low-c", "95 C", "--high-c", "113 C", "--units", "us")
	said("es muy caliente para una ventana", "open", "--fluid", "amber 6", "--low-c", "95", "--high-c", "113", "--lang", "es")
	said("low-c: 35.0 °C (95 °F)", "open", "--fluid", "amber 6", "--low-c", "95", "--high-c", "113", "--units", "us")
	said("L: This is missing", "enter", "spilled")
	said("spilled: 0.95 L (1.00 qt)", "enter", "spilled", "1", "--units", "us")
	said("spilled: -200 mL", "enter", "spilled", "-0.2")
	said("spilled: 0.38 L (0.1 gallons)", "enter", "spilled", "0.1", "gallons")
	said("left in the pan or the filter: 0.47 L (1 pt)", "enter", "retained", "1 pt")
	said("taken back: Left in the pan or the filter: 0.47 L", "undo")
	said("Missing before the service: 40.0 L is a lot.", "level", "40")
	said("derramado: 100 mL", "enter", "spilled", "0.1", "--lang", "es")
	said("done", "level", "40", "--why", "a lorry's gearbox")
	b.soon(t, "the reason", func(s shown) bool {
		for i := range s.job.Flow.Remarks {
			if s.job.Flow.Remarks[i].For(words.Plain) == "Missing before the service: 40.0 L, confirmed: a lorry's gearbox" {
				return true
			}
		}
		return false
	})
	said("is no usual torque of pan bolts", "record", "torque", "done", "--applied", "165")
	said("applied: 18.6 N·m (165 in-lb)", "record", "torque", "done", "--applied", "165", "--units", "us")
}

// A refusal about a flag that was left out names the flag; one about the state of the job does not.
func TestRefusalNamesTheFlagThatIsMissing(t *testing.T) {
	enter, _ := wire.CommandNamed("enter")
	share := wire.Say(fillcalc.Text{Key: "refuse.bottle_share"})
	for _, c := range []struct {
		r    wire.Reply
		want string
	}{
		{wire.Reply{Error: "share: " + share.Text, Refused: &share}, "--share: "},
		{wire.Reply{Error: "share: " + share.Text, Refused: &share, Insist: true}, ""},
		{wire.Reply{Error: "what: " + share.Text, Refused: &share}, ""},
	} {
		e := entries{command: enter, words: enter.Words, message: map[string]any{"what": "bottle", "l": 1.0}}
		if said, want := e.refused(words.Plain, &c.r).Error(), c.want+share.For(words.Plain); said != want {
			t.Errorf("%+v: %s, want %s", c.r, said, want)
		}
	}
}
