package main

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/wire"
)

// rightWords are correct arguments of each subcommand of job that needs some.
var rightWords = map[string][]string{
	"open": {"--fluid", "amber 6", "--low-c", "35", "--high-c", "45"}, "phase": {"draining"}, "answer": {"1", "fluid"}, "enter": {"spilled", "0.1"},
	"record": {"torque", "done"}, "gear": {"R"}, "weigh": {"supply-scale"}, "density": {"supply-scale", "new", "1"}, "abandon": {"--why", "x"},
}

var goWords = regexp.MustCompile(`(?i)json: |float64|int64|strconv|unmarshal|go value|invalid argument|invalid syntax|shorthand|EOF|parsing time|%!|panic`)

// badTexts are texts that a field must refuse.
func badTexts(f *wire.Field) []string {
	switch f.Kind {
	case wire.KindAmount:
		other := "4 F"
		if f.Quantity == "°C" {
			other = "4 qt"
		}
		return []string{"lots", "-999999", "999999", "4 furlongs", other, "4,5", "NaN", "1e999", "", "−"}
	case wire.KindNumber, wire.KindWhole:
		return []string{"lots", "-1e9", "1e999", "4 qt", "NaN", ""}
	case wire.KindChoice:
		return []string{"lots", "7"}
	case wire.KindID:
		return []string{"a b"}
	}
	return []string{strings.Repeat("x", 300)}
}

// Every flag and word of every subcommand of job with bad texts: the error names it as the
// person typed it, and says what would be right, without words of Go. Nothing is counted.
func TestBadFlags(t *testing.T) {
	b := openBay(t, "")
	b.soon(t, "the sensors", func(s shown) bool { return s.about.ShopUnits == "metric" && sound(s.alerts) })
	refused := func(want string, args ...string) {
		t.Helper()
		status, out, errors := program(t.Context(), append([]string{"job"}, args...)...)
		if status == 0 || !strings.HasPrefix(errors, "bayfill: "+want+": ") || goWords.MatchString(errors) || out != "" {
			t.Errorf("job %.100q: status %d: %s%s, want %s", args, status, out, errors, want)
		}
	}
	for i := range wire.Commands {
		c := &wire.Commands[i]
		if c.Do == "phase" { // the others need a job
			job(t, "open", "--job", "van-7", "--fluid", "amber 6", "--low-c", "35", "--high-c", "45")
		}
		for _, f := range append(slices.Clone(c.Fields), *c.MustField("by")) {
			flag := "--" + strings.ReplaceAll(f.Name, "_", "-")
			for _, text := range badTexts(&f) {
				args := slices.Clone(rightWords[c.Do])
				if at := slices.Index(c.Words, f.Name); at >= 0 && at <= len(args) {
					args = append(args[:at:at], append([]string{text}, args[min(at+1, len(args)):]...)...)
					if text != "" || f.Kind == wire.KindAmount || f.Kind == wire.KindWhole {
						refused(strings.ToUpper(f.Name), append([]string{c.Do}, args...)...)
					}
					continue
				}
				if at := slices.Index(args, flag); at >= 0 {
					args = slices.Delete(args, at, at+2)
				}
				refused(flag, append(append([]string{c.Do}, args...), flag, text)...)
			}
			if !slices.Contains(c.Words, f.Name) {
				refused(flag, c.Do, flag, "1", flag, "1")
			}
		}
	}
	refused("-x", "close", "-x")
	refused("--whi", "close", "--whi", "x")
	refused("job answer", "answer")
	if s := b.look(); len(s.job.Entered) != 0 || len(s.job.Flow.Records) != 0 || s.job.Phase != "ready" {
		t.Errorf("something was taken: %+v, %+v, %s", s.job.Entered, s.job.Flow.Records, s.job.Phase)
	}
}
