package main

import (
	"bytes"
	"strings"
	"testing"
)

// A command that does not exist, or has another number of words, ends with status 2 and
// says what would be right, at every level.
func TestMisspeltCommands(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, c := range []struct {
		args   string
		status int
		says   string
	}{
		{"jbo", 2, "bayfill: jbo: there is no such command: did you mean bayfill job?"},
		{"job opne", 2, "bayfill: job opne: there is no such command: did you mean bayfill job open?"},
		{"job --shop opne opne", 2, "did you mean bayfill job open?"},
		{"job --help opne", 2, "did you mean bayfill job open?"},
		{"job xylophone", 2, "bayfill: job xylophone: there is no such command: see bayfill job --help"},
		{"audit jbo", 2, "did you mean bayfill audit job?"},
		{"history fil", 2, "did you mean bayfill history fill?"},
		{"help wrods", 2, "bayfill: help wrods: there is no such command or topic: did you mean bayfill help words?"},
		{"help nonsense", 2, "bayfill: help nonsense: there is no such command or topic: bayfill help lists them"},
		{"help config", 2, "did you mean bayfill help configuration?"},
		{"help verdict", 2, `did you mean bayfill help words "verdict"?`},
		{"help jbo", 2, "did you mean bayfill help job?"},
		{"help job opne", 2, "did you mean bayfill job open?"},
		{"audit job", 2, "bayfill: audit job: JOB is missing: say bayfill audit job JOB"},
		{"ticket", 2, "bayfill: ticket: JOB is missing: say bayfill ticket JOB"},
		{"audit job a b", 2, `bayfill: audit job: "b" is one word too many: see bayfill audit job --help`},
		{"run now", 2, `bayfill: run: "now" is one word too many`},
		{"ticket van", 78, "nothing says where the jobs are, and there is no bayfill.yaml in this folder: give a configuration with --config, a server with --influx-url, or a cart's journal file with --journal"},
		{"stock", 78, "or a cart's journal file with --journal"},
		{"job enter dipstick --wait 1ms --shop a --cart b --broker tcp://127.0.0.1:1", 2, "broker tcp://127.0.0.1:1: "},
		{"job", 0, ""},
		{"help", 0, ""},
		{"help words clear", 0, ""},
		{"help job open", 0, ""},
		{"job open --help", 0, ""},
		{"completion bash", 0, ""},
		{"__complete jo", 0, ""},
		{"--version", 0, ""},
		{"", 0, ""},
	} {
		var out, errs bytes.Buffer
		status := run(t.Context(), strings.Fields(c.args), strings.NewReader(""), &out, &errs)
		if status != c.status || !strings.Contains(errs.String(), c.says) {
			t.Errorf("%s: status %d, want %d: %s", c.args, status, c.status, &errs)
		}
	}
}
