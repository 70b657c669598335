// Command vulncheck judges what govulncheck found:
//
//	govulncheck -format json ./... >FOUND && vulncheck <FOUND
//
// A vulnerability counts when our code calls a vulnerable symbol; one that a
// module merely brings along is counted in the last line and otherwise left
// alone. Where the called symbol is decides:
//
//   - In a module that we depend on: an error. go.mod names the version, so a
//     change to this project puts it right.
//   - In Go itself, that is the standard library or the toolchain: a warning.
//     Go is installed on the machine that builds, and no change to this
//     project can replace it, so an error would stop all work until someone
//     has updated the machine, without making anything safer.
//
// The exit status is 1 if there was an error of the first kind and 2 if the
// input cannot be understood as a whole scan: nothing may pass for want of
// having been read. A scan that broke off between two messages looks like a
// whole one, so govulncheck's own exit status has to be minded too.
package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

// protocol is the version of govulncheck's messages that is understood here.
const protocol = "v1.0.0"

// config is the first message; what is not needed is left out.
type config struct {
	Protocol string `json:"protocol_version"`
	Level    string `json:"scan_level"`
	Mode     string `json:"scan_mode"`
}

// contents says what was scanned; what is not needed is left out.
type contents struct {
	Roots []string `json:"roots"`
}

// finding is complete: a field that is not named here is an error.
type finding struct {
	OSV   string  `json:"osv"`
	Fixed string  `json:"fixed_version"`
	Trace []frame `json:"trace"` // from the vulnerable symbol to our code
}

// frame is complete too.
type frame struct {
	Module   string    `json:"module"`
	Version  string    `json:"version"`
	Package  string    `json:"package"`
	Function string    `json:"function"`
	Receiver string    `json:"receiver"`
	Position *position `json:"position"`
}

type position struct {
	File   string `json:"filename"`
	Offset int    `json:"offset"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
}

func main() {
	if len(os.Args) != 1 {
		fmt.Fprintln(os.Stderr, "usage: vulncheck <FOUND.json")
		os.Exit(2)
	}
	findings, err := read(os.Stdin)
	if err != nil {
		fmt.Fprintln(os.Stderr, "vulncheck: cannot understand what govulncheck said:", err)
		os.Exit(2)
	}
	lines, pass := judge(findings)
	for _, line := range lines {
		fmt.Println(line)
	}
	if !pass {
		os.Exit(1)
	}
}

// read returns the findings of one whole scan.
func read(in io.Reader) ([]finding, error) {
	var (
		findings []finding
		known    = make(map[string]bool) // the vulnerabilities described
		scanned  bool
	)
	messages := json.NewDecoder(in)
	for n := 1; ; n++ {
		// A map and not a struct, for a struct would take keys in any case.
		var message map[string]json.RawMessage
		err := messages.Decode(&message)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("message %d: %w", n, err)
		}
		if len(message) != 1 {
			return nil, fmt.Errorf("message %d: %d kinds instead of one", n, len(message))
		}
		for kind, body := range message {
			if (kind == "config") != (n == 1) {
				return nil, fmt.Errorf("message %d is a %q, but config is to come first and once", n, kind)
			}
			switch kind {
			case "config":
				err = checkConfig(body)
			case "progress":
				// Says nothing that would matter.
			case "SBOM":
				var c contents
				if err = json.Unmarshal(body, &c); err == nil && len(c.Roots) == 0 {
					err = errors.New("no package was scanned")
				}
				scanned = true
			case "osv":
				var described struct {
					ID string `json:"id"`
				}
				if err = json.Unmarshal(body, &described); err == nil && described.ID == "" {
					err = errors.New("it has no ID")
				}
				known[described.ID] = true
			case "finding":
				var f finding
				f, err = readFinding(body)
				findings = append(findings, f)
			default:
				err = errors.New("unknown kind")
			}
			if err != nil {
				return nil, fmt.Errorf("message %d, %q: %w", n, kind, err)
			}
		}
	}
	if !scanned {
		return nil, errors.New("it does not say what was scanned")
	}
	// The vulnerabilities of every Go version are described, also those that
	// the one in use has no more. So some are, unless the database is empty.
	if len(known) == 0 {
		return nil, errors.New("the database knows no vulnerability, not even of old Go versions")
	}
	for _, f := range findings {
		if !known[f.OSV] {
			return nil, fmt.Errorf("%s was found, but is not described", f.OSV)
		}
	}
	return findings, nil
}

func checkConfig(body []byte) error {
	var c config
	if err := json.Unmarshal(body, &c); err != nil {
		return err
	}
	// Only such a scan tells what is called.
	if want := (config{Protocol: protocol, Level: "symbol", Mode: "source"}); c != want {
		return fmt.Errorf("%+v instead of %+v", c, want)
	}
	return nil
}

func readFinding(body []byte) (finding, error) {
	var f finding
	strict := json.NewDecoder(bytes.NewReader(body))
	strict.DisallowUnknownFields()
	if err := strict.Decode(&f); err != nil {
		return f, err
	}
	if f.OSV == "" {
		return f, errors.New("it does not say which vulnerability")
	}
	if len(f.Trace) == 0 {
		return f, fmt.Errorf("%s has no trace", f.OSV)
	}
	for _, fr := range f.Trace {
		if fr.Module == "" {
			return f, fmt.Errorf("%s has a trace that names no module", f.OSV)
		}
		// Only a call has several frames, and then all of them are functions.
		if (len(f.Trace) > 1 || f.called()) && (fr.Function == "" || fr.Package == "") {
			return f, fmt.Errorf("%s has a trace that names no function", f.OSV)
		}
	}
	return f, nil
}

// judge returns what to print of the findings, and whether they may pass.
func judge(findings []finding) (lines []string, pass bool) {
	// A vulnerability is found once as required, once more as imported, and
	// once for each symbol that is called. Of the calls, show the shortest.
	var calls, rest []finding
	for _, f := range findings {
		if f.called() {
			calls = append(calls, f)
		} else {
			rest = append(rest, f)
		}
	}
	slices.SortFunc(calls, func(a, b finding) int {
		return cmp.Or(
			sameVulnerability(a, b),
			cmp.Compare(len(a.Trace), len(b.Trace)),
			cmp.Compare(a.call(), b.call()),
		)
	})
	calls = slices.CompactFunc(calls, func(a, b finding) bool { return sameVulnerability(a, b) == 0 })
	rest = slices.DeleteFunc(rest, func(r finding) bool {
		return slices.ContainsFunc(calls, func(c finding) bool { return sameVulnerability(r, c) == 0 })
	})
	slices.SortFunc(rest, sameVulnerability)
	rest = slices.CompactFunc(rest, func(a, b finding) bool { return sameVulnerability(a, b) == 0 })

	var warnings, failures []string
	for _, f := range calls {
		if f.inGo() {
			warnings = append(warnings, f.warning())
		} else {
			failures = append(failures, f.failure())
		}
	}
	lines = append(warnings, failures...)
	lines = append(lines, fmt.Sprintf("called: %d in modules, %d in Go itself; not called: %d",
		len(failures), len(warnings), len(rest)))
	return lines, len(failures) == 0
}

// sameVulnerability orders findings by vulnerability and module. The same
// vulnerability can be in more than one module, and called in one only.
func sameVulnerability(a, b finding) int {
	return cmp.Or(
		cmp.Compare(a.OSV, b.OSV),
		cmp.Compare(a.Trace[0].Module, b.Trace[0].Module),
	)
}

func (f finding) called() bool {
	return f.Trace[0].Function != ""
}

func (f finding) inGo() bool {
	module := f.Trace[0].Module
	return module == "stdlib" || module == "toolchain"
}

func (f finding) warning() string {
	what := fmt.Sprintf("warning: %s in Go's %s, ", f.OSV, f.Trace[0].Module)
	if f.Fixed == "" {
		return what + "which no Go version fixes yet"
	}
	return what + "fixed in Go " + strings.TrimPrefix(f.Fixed, "v") + ": update Go"
}

func (f finding) failure() string {
	fixed := "which no version fixes yet"
	if f.Fixed != "" {
		fixed = "fixed in " + f.Fixed
	}
	module := strings.TrimSpace(f.Trace[0].Module + " " + f.Trace[0].Version)
	return fmt.Sprintf("error: %s in %s, %s: %s", f.OSV, module, fixed, f.call())
}

// call describes the two ends of the trace.
func (f finding) call() string {
	last := f.Trace[len(f.Trace)-1]
	text := fmt.Sprintf("%s is called by %s", f.Trace[0].symbol(), last.symbol())
	if p := last.Position; p != nil {
		text += fmt.Sprintf(" (%s:%d)", p.File, p.Line)
	}
	return text
}

func (fr frame) symbol() string {
	parts := []string{fr.Package}
	if fr.Receiver != "" {
		parts = append(parts, strings.TrimPrefix(fr.Receiver, "*"))
	}
	return strings.Join(append(parts, fr.Function), ".")
}
