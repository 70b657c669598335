package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
)

// shellWords splits a command line without expansions.
func shellWords(line string) (list []string) {
	for _, m := range regexp.MustCompile(`'([^']*)'|"([^"]*)"|(\S+)`).FindAllStringSubmatch(line, -1) {
		list = append(list, m[1]+m[2]+m[3])
	}
	return list
}

// parses reports what is wrong with a documented command: a subcommand, flag or number of
// arguments that there is not.
func parses(line string) error {
	line, _, _ = strings.Cut(line, " #")
	line, _, _ = strings.Cut(line, " > ")
	line, _, _ = strings.Cut(line, " 2> ")
	line, _, _ = strings.Cut(line, " || ")
	line = strings.TrimSuffix(line, " &")
	cmd, rest, err := rootCommand().Find(negatives(shellWords(line))[1:])
	if err != nil {
		return err
	}
	cmd.InitDefaultHelpFlag()
	cmd.InitDefaultVersionFlag()
	if err := cmd.ParseFlags(rest); err != nil {
		return flagError(cmd, err)
	}
	if len(rest) == 0 { // only its name
		return nil
	}
	return cmd.ValidateArgs(cmd.Flags().Args())
}

// Every command that a document or --help shows is one of the program.
func TestDocumentedCommands(t *testing.T) {
	var lines []string
	for _, name := range []string{"README.md", "DEVELOPERS.md", "cmd/bayfill/REFERENCE.md", "testdata/config/bayfill.yaml", "testdata/systemd/bayfill.service"} {
		text, err := os.ReadFile(filepath.Join("..", "..", name))
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile("(?m)^(?: {4})?((?:go run ./cmd/)?bayfill .*)$|`((?:[a-z ]+-- )?bayfill [^`…]*)`").FindAllStringSubmatch(string(text), -1) {
			line := m[1] + m[2]
			lines = append(lines, line[strings.Index(line, "bayfill "):])
		}
	}
	documented := len(lines)
	var add func(cmd *cobra.Command)
	add = func(cmd *cobra.Command) {
		for line := range strings.Lines(cmd.Example) {
			if line = strings.TrimSpace(line); strings.HasPrefix(line, "bayfill ") {
				lines = append(lines, line)
			}
		}
		for _, c := range cmd.Commands() {
			add(c)
		}
	}
	add(rootCommand())
	if documented < 20 || len(lines) < documented+10 {
		t.Fatalf("only %d commands were found: %q", len(lines), lines)
	}
	for _, line := range lines {
		if err := parses(line); err != nil {
			t.Errorf("%s: %v", line, err)
		}
	}
}

// What each --help shows as an example works in a shop with closed jobs, as far as that needs no
// instrument, no server and no minute: what does is run by the test that is named.
func TestExamplesRun(t *testing.T) {
	elsewhere := map[string]string{
		"job": "TestJobsExample", "run": "TestReadmeTour", "sim": "TestReadmeTour", "board": "TestReadmeTour", "watch": "TestWatchScreens",
		"demo": "TestDemo", "demo fleet": "TestDemoFleet", "study": "TestStudy", "calibrate": "TestReadmeTour", "listen": "TestSimReplaysRecording",
		"history": "TestHistoryFilledExportedKept of bridge/audit", "doctor": "TestDoctorOnAHealthyWorkshop", "ports": "TestReadmeTour", "service-data": "TestServiceData",
	}
	file := shopFile(t)
	dir := filepath.Dir(file)
	t.Chdir(dir)
	t.Setenv("BAYFILL_CONFIG", file)
	if err := os.Symlink(dir, "data"); err != nil {
		t.Fatal(err)
	}
	ran := 0
	var run func(cmd *cobra.Command)
	run = func(cmd *cobra.Command) {
		path := strings.TrimPrefix(cmd.CommandPath(), "bayfill ")
		if elsewhere[path] != "" || elsewhere[strings.Split(path, " ")[0]] != "" {
			return
		}
		for line := range strings.Lines(cmd.Example) {
			line, _, _ := strings.Cut(strings.TrimSpace(line), " > ")
			args := shellWords(line)
			// These jobs were drawn at random, so their verdicts may be any.
			if status, out, errors := program(t.Context(), args[1:]...); status != 0 && !(path == "audit job" && (status == exitFailed || status == exitNotVerified)) {
				t.Errorf("%s: status %d: %s%.300s", line, status, errors, out)
			}
			ran++
		}
		for _, c := range cmd.Commands() {
			run(c)
		}
	}
	for _, c := range rootCommand().Commands() {
		run(c)
	}
	if ran < 15 {
		t.Errorf("only %d examples were run", ran)
	}
}

// The example of bayfill job is a job: every line of it is done.
func TestJobsExample(t *testing.T) {
	b := openBay(t, "")
	b.soon(t, "the sensors", func(s shown) bool { return s.about.ShopUnits == "metric" && sound(s.alerts) })
	cmd, _, err := rootCommand().Find([]string{"job"})
	if err != nil {
		t.Fatal(err)
	}
	var done []string
	for line := range strings.Lines(cmd.Example) {
		args := shellWords(line)
		if args[0] != "bayfill" {
			continue
		}
		if slices.Contains(args, "draining") || slices.Contains(args, "close") { // what a hand waits for
			b.soon(t, "the weighing", func(s shown) bool { return s.volumes.QualityCode == "good" })
			b.pass(t, 15*time.Second)
		}
		if status, out, errors := program(t.Context(), args[1:]...); status != 0 {
			t.Errorf("%s: status %d: %s%s", line, status, out, errors)
		}
		done = append(done, line)
	}
	if len(done) < 6 {
		t.Errorf("the example has only %q", done)
	}
}

// The section stock that the reference shows is one.
func TestReferenceStock(t *testing.T) {
	readme, err := os.ReadFile("REFERENCE.md")
	if err != nil {
		t.Fatal(err)
	}
	section := regexp.MustCompile(`(?m)^    stock:\n(?:     .*\n)+`).FindString(string(readme))
	c, err := config.Parse([]byte(`shop: hilltop
data: /var/lib/bayfill
fluids: [{name: amber 6, density_kg_m3: 848}]
carts: [{name: bay2, sensors: [{name: caddy, role: caddy, port: a, protocol: sma, capacity_kg: 30, resolution_kg: 0.005}]}]
` + strings.ReplaceAll("\n"+section, "\n    ", "\n")))
	if err != nil || len(c.Stock.Fluids) != 1 || c.Stock.Waste == nil {
		t.Errorf("%v in %s", err, section)
	}
}
