package main

import (
	"slices"
	"strings"
	"testing"
)

// The messages were recorded from govulncheck 1.9.0 under Go 1.26.8, for a
// program that calls html.Parse and http.ListenAndServe. They are shortened:
// config lacks the database, and each osv all but its ID.
const (
	begin = `{"config":{"protocol_version":"v1.0.0","scanner_name":"govulncheck","scanner_version":"v1.9.0","db_last_modified":"2026-11-05T23:49:57Z","go_version":"go1.26.8","scan_level":"symbol","scan_mode":"source"}}`
	sbom  = `{"SBOM":{"go_version":"go1.26.8","modules":[{"path":"example.com/standin"},{"path":"golang.org/x/net","version":"v0.44.0"},{"path":"stdlib","version":"v1.26.8"}],"roots":["example.com/standin"]}}`
	fetch = `{"progress":{"message":"Fetching vulnerabilities from the database..."}}`

	osv5027 = `{"osv":{"schema_version":"1.3.1","id":"GO-2026-5027"}}`
	osv6611 = `{"osv":{"schema_version":"1.3.1","id":"GO-2026-6611"}}`
	osv6809 = `{"osv":{"schema_version":"1.3.1","id":"GO-2026-6809"}}`

	// In a module: required, imported, called.
	net5027Required = `{"finding":{"osv":"GO-2026-5027","fixed_version":"v0.55.0","trace":[{"module":"golang.org/x/net","version":"v0.44.0"}]}}`
	net5027Imported = `{"finding":{"osv":"GO-2026-5027","fixed_version":"v0.55.0","trace":[{"module":"golang.org/x/net","version":"v0.44.0","package":"golang.org/x/net/html"}]}}`
	net5027Called   = `{"finding":{"osv":"GO-2026-5027","fixed_version":"v0.55.0","trace":[{"module":"golang.org/x/net","version":"v0.44.0","package":"golang.org/x/net/html","function":"Parse","position":{"filename":"html/parse.go","offset":57226,"line":2347,"column":6}},{"module":"example.com/standin","package":"example.com/standin","function":"main","position":{"filename":"main.go","offset":115,"line":12,"column":25}}]}}`

	// One that is in the standard library, where it is called in two ways, as
	// well as in a module, where it is not.
	net6611Required = `{"finding":{"osv":"GO-2026-6611","fixed_version":"v0.60.0","trace":[{"module":"golang.org/x/net","version":"v0.44.0"}]}}`
	std6611Required = `{"finding":{"osv":"GO-2026-6611","fixed_version":"v1.26.9","trace":[{"module":"stdlib","version":"v1.26.8"}]}}`
	std6611Imported = `{"finding":{"osv":"GO-2026-6611","fixed_version":"v1.26.9","trace":[{"module":"stdlib","version":"v1.26.8","package":"net/http"}]}}`
	std6611Called   = `{"finding":{"osv":"GO-2026-6611","fixed_version":"v1.26.9","trace":[{"module":"stdlib","version":"v1.26.8","package":"net/http","function":"ListenAndServe","position":{"filename":"src/net/http/server.go","offset":120157,"line":3673,"column":6}},{"module":"example.com/standin","package":"example.com/standin","function":"main","position":{"filename":"main.go","offset":190,"line":15,"column":31}}]}}`
	std6611Again    = `{"finding":{"osv":"GO-2026-6611","fixed_version":"v1.26.9","trace":[{"module":"stdlib","version":"v1.26.8","package":"net/http","function":"Close","receiver":"*onceCloseListener","position":{"filename":"src/net/http/server.go","offset":127421,"line":3935,"column":30}},{"module":"stdlib","version":"v1.26.8","package":"net/http","function":"close","receiver":"*onceCloseListener","position":{"filename":"src/net/http/server.go","offset":127552,"line":3940,"column":71}},{"module":"stdlib","version":"v1.26.8","package":"sync","function":"doSlow","receiver":"*Once","position":{"filename":"src/sync/once.go","offset":2517,"line":78,"column":4}},{"module":"stdlib","version":"v1.26.8","package":"sync","function":"Do","receiver":"*Once","position":{"filename":"src/sync/once.go","offset":2390,"line":69,"column":11}},{"module":"stdlib","version":"v1.26.8","package":"internal/godebug","function":"IncNonDefault","receiver":"*Setting","position":{"filename":"src/internal/godebug/godebug.go","offset":4272,"line":122,"column":21}},{"module":"stdlib","version":"v1.26.8","package":"net/http","function":"init#2","position":{"filename":"src/net/http/servemux121.go","offset":1017,"line":34,"column":29}},{"module":"stdlib","version":"v1.26.8","package":"net/http","function":"init","position":{"filename":"src/net/http/client.go","offset":303,"line":10,"column":1}},{"module":"example.com/standin","package":"example.com/standin","function":"init","position":{"filename":"main.go","offset":31,"line":5,"column":2}}]}}`

	std6809Required = `{"finding":{"osv":"GO-2026-6809","fixed_version":"v1.26.10","trace":[{"module":"stdlib","version":"v1.26.8"}]}}`
)

// before is what precedes the findings of every scan here.
var before = []string{begin, sbom, fetch, osv5027, osv6611, osv6809}

func with(messages ...string) string {
	return strings.Join(slices.Concat(before, messages), "\n") + "\n"
}

// swap fails the test if there is nothing to replace.
func swap(t *testing.T, in, from, to string) string {
	t.Helper()
	if !strings.Contains(in, from) {
		t.Fatalf("no %s in %s", from, in)
	}
	return strings.Replace(in, from, to, 1)
}

func TestJudge(t *testing.T) {
	const (
		warn6611 = "warning: GO-2026-6611 in Go's stdlib, fixed in Go 1.26.9: update Go"
		fail5027 = "error: GO-2026-5027 in golang.org/x/net v0.44.0, fixed in v0.55.0: " +
			"golang.org/x/net/html.Parse is called by example.com/standin.main (main.go:12)"
	)
	for _, test := range []struct {
		name  string
		found []string
		pass  bool
		lines []string
	}{
		{
			name:  "nothing",
			pass:  true,
			lines: []string{"called: 0 in modules, 0 in Go itself; not called: 0"},
		},
		{
			name:  "nothing called",
			found: []string{std6809Required, net5027Required, net5027Imported},
			pass:  true,
			lines: []string{"called: 0 in modules, 0 in Go itself; not called: 2"},
		},
		{
			name:  "called in the standard library, not in the module",
			found: []string{net6611Required, std6611Required, std6611Imported, std6611Again, std6611Called},
			pass:  true,
			lines: []string{warn6611, "called: 0 in modules, 1 in Go itself; not called: 1"},
		},
		{
			name:  "called in a module",
			found: []string{net5027Required, net5027Imported, net5027Called},
			lines: []string{fail5027, "called: 1 in modules, 0 in Go itself; not called: 0"},
		},
		{
			name:  "called in both",
			found: []string{std6611Required, net5027Required, net5027Called, std6611Called},
			lines: []string{warn6611, fail5027, "called: 1 in modules, 1 in Go itself; not called: 0"},
		},
		{
			name: "the same vulnerability called in both",
			found: []string{std6611Called,
				swap(t, net5027Called, "GO-2026-5027", "GO-2026-6611")},
			lines: []string{warn6611, strings.Replace(fail5027, "5027", "6611", 1),
				"called: 1 in modules, 1 in Go itself; not called: 0"},
		},
		{
			name:  "called in a module by the standard library",
			found: []string{swap(t, std6611Again, `"module":"stdlib","version":"v1.26.8"`, `"module":"example.com/m","version":"v1.0.0"`)},
			lines: []string{
				"error: GO-2026-6611 in example.com/m v1.0.0, fixed in v1.26.9: " +
					"net/http.onceCloseListener.Close is called by example.com/standin.init (main.go:5)",
				"called: 1 in modules, 0 in Go itself; not called: 0",
			},
		},
		{
			name: "the shortest of two calls",
			found: []string{
				swap(t, std6611Again, `"module":"stdlib","version":"v1.26.8"`, `"module":"example.com/m","version":"v1.0.0"`),
				swap(t, swap(t, std6611Called, `"module":"stdlib","version":"v1.26.8"`, `"module":"example.com/m","version":"v1.0.0"`),
					`"ListenAndServe"`, `"serve"`),
			},
			lines: []string{
				"error: GO-2026-6611 in example.com/m v1.0.0, fixed in v1.26.9: " +
					"net/http.serve is called by example.com/standin.main (main.go:15)",
				"called: 1 in modules, 0 in Go itself; not called: 0",
			},
		},
		{
			name:  "called in the toolchain",
			found: []string{swap(t, std6611Called, `"stdlib"`, `"toolchain"`)},
			pass:  true,
			lines: []string{"warning: GO-2026-6611 in Go's toolchain, fixed in Go 1.26.9: update Go",
				"called: 0 in modules, 1 in Go itself; not called: 0"},
		},
		{
			name:  "a module with a name like the standard library's",
			found: []string{swap(t, std6611Called, `"stdlib"`, `"stdlib/v2"`)},
			lines: []string{"error: GO-2026-6611 in stdlib/v2 v1.26.8, fixed in v1.26.9: " +
				"net/http.ListenAndServe is called by example.com/standin.main (main.go:15)",
				"called: 1 in modules, 0 in Go itself; not called: 0"},
		},
		{
			name: "no fix",
			found: []string{swap(t, std6611Called, `"fixed_version":"v1.26.9",`, ""),
				swap(t, net5027Called, `"fixed_version":"v0.55.0",`, "")},
			lines: []string{
				"warning: GO-2026-6611 in Go's stdlib, which no Go version fixes yet",
				strings.Replace(fail5027, "fixed in v0.55.0", "which no version fixes yet", 1),
				"called: 1 in modules, 1 in Go itself; not called: 0",
			},
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			// govulncheck emits the calls in no particular order.
			backwards := slices.Clone(test.found)
			slices.Reverse(backwards)
			for _, found := range [][]string{test.found, backwards} {
				findings, err := read(strings.NewReader(with(found...)))
				if err != nil {
					t.Fatal(err)
				}
				lines, pass := judge(findings)
				if pass != test.pass {
					t.Errorf("pass is %t", pass)
				}
				if !slices.Equal(lines, test.lines) {
					t.Errorf("got\n%s\nwant\n%s",
						strings.Join(lines, "\n"), strings.Join(test.lines, "\n"))
				}
			}
		})
	}
}

func TestReadRefuses(t *testing.T) {
	lines := func(messages ...string) string { return strings.Join(messages, "\n") }
	for _, test := range []struct {
		name, input, want string
	}{
		{"nothing", "", "what was scanned"},
		{"text", "No vulnerabilities found.\n", "invalid character"},
		{"text at the end", with() + "panic: no\n", "invalid character"},
		{"a list", "[]", "cannot unmarshal"},
		{"null", lines("null"), "0 kinds"},
		{"no kind", with("{}"), "0 kinds"},
		{"two kinds", with(`{"progress":{},"osv":{"id":"GO-2026-1"}}`), "2 kinds"},
		{"unknown kind", with(`{"verdict":{}}`), "unknown kind"},
		{"kind in capitals", with(swap(t, net5027Called, `"finding"`, `"Finding"`)), "unknown kind"},

		{"config only", begin, "what was scanned"}, // as when loading the packages fails
		{"no config", lines(sbom, osv5027), "config is to come first"},
		{"config late", lines(sbom, begin, osv5027), "config is to come first"},
		{"config twice", with(begin), "config is to come first"},
		{"config null", `{"config":null}`, "instead of"},
		{"other protocol", swap(t, with(), `"v1.0.0"`, `"v1.1.0"`), "v1.1.0"},
		{"other level", swap(t, with(), `"symbol"`, `"package"`), "package"},
		{"other mode", swap(t, with(), `"source"`, `"binary"`), "binary"},
		{"no level", swap(t, with(), `"scan_level":"symbol",`, ""), "instead of"},

		{"no SBOM", lines(begin, fetch, osv5027), "what was scanned"},
		{"no roots", swap(t, with(), `,"roots":["example.com/standin"]`, ""), "no package was scanned"},
		{"empty database", lines(begin, sbom, fetch), "knows no vulnerability"},
		{"osv without ID", with(`{"osv":{}}`), "no ID"},
		{"osv missing", lines(begin, sbom, osv5027, std6611Called), "not described"},

		{"finding null", with(`{"finding":null}`), "which vulnerability"},
		{"finding a list", with(`{"finding":[]}`), "cannot unmarshal"},
		{"finding without ID", with(swap(t, net5027Called, `"osv":"GO-2026-5027",`, "")), "which vulnerability"},
		{"finding with more", with(swap(t, net5027Called, `"trace"`, `"called":true,"trace"`)), "unknown field"},
		{"no trace", with(`{"finding":{"osv":"GO-2026-5027"}}`), "no trace"},
		{"empty trace", with(`{"finding":{"osv":"GO-2026-5027","trace":[]}}`), "no trace"},
		{"null in the trace", with(`{"finding":{"osv":"GO-2026-5027","trace":[null]}}`), "no module"},
		{"frame with more", with(swap(t, net5027Called, `"function"`, `"symbol":"x","function"`)), "unknown field"},
		{"frame without module", with(swap(t, net5027Called, `"module":"golang.org/x/net",`, "")), "no module"},
		{"call without function", with(swap(t, net5027Called, `"function":"Parse",`, "")), "no function"},
		{"call without package", with(swap(t, net5027Called, `"package":"golang.org/x/net/html",`, "")), "no function"},
		{"call of another type", with(swap(t, net5027Called, `"Parse"`, `true`)), "cannot unmarshal"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := read(strings.NewReader(test.input))
			if err == nil {
				t.Fatal("no error")
			}
			if !strings.Contains(err.Error(), test.want) {
				t.Errorf("got %q, want something with %q", err, test.want)
			}
		})
	}
}

func TestReadRefusesBrokenOff(t *testing.T) {
	whole := with(net5027Called)
	last := len(with())
	for end := last + 1; end < len(whole)-1; end++ { // a "\n" may be missing
		if _, err := read(strings.NewReader(whole[:end])); err == nil {
			t.Errorf("no error with %d bytes of the last message", end-last)
		}
	}
}
