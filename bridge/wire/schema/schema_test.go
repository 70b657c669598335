package schema_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/wire/schema"
	"bayfill/bridge/wire/schema/schematest"
)

// right has a correct message of each leaf; the cases below spoil it.
var right = map[string]string{
	"presence": `{"online":false,"since":null,"session":"a1","version":"1","contract":1}`,
	"about":    `{"program":"bayfill","version":"1","build":{"commit":"","committed":"","modified":false,"go":"go1.26.0"},"contract":1,"leaves":["job"],"sensors":[],"measured_fluids":[],"checks_by_use":[{"kind":"slope","sensor":"a","fluid":"b","jobs":30,"moved_pct":0.4,"moved_kg":null}],"units":"SI","shop_units":"us","caddy_holds_l":null,"record_key":"44623b7ebda940dcfdc0b1dcf77a4fd5c33f90d75ac52383edb5998ea433c1a7"}`,
	"record":   `{"job":"van-7","line":"bayfill_job,cart=bay2,shop=hilltop fold=1i 1"}`,
	"choices": `{"fluids":[{"name":"amber 6","density_kg_m3":846.2,"at_c":20,"density_u_pct":0.1,"measured_here":false}],"fluids_left_out":0,
		"service_data":[{"name":"van6","vehicle":"van","transmission":"6 speeds","fluid":"amber 6","check":"dipstick","low_c":35,"high_c":45,"typical_l":4,"total_l":null,"bottle_l":null,"bolt_torque_nm":11,
		"jobs":0,"usual_out_l":null,"usual_out_u_l":null,"usual_target_l":null,"usual_target_u_l":null,"level_right_jobs":0,"level_low_jobs":0,"level_high_jobs":0}],"service_data_left_out":0}`,
	"window": `{"ts":"2026-01-31T12:00:00.000Z","state":"blind","since":"2026-01-31T11:59:00.000Z","temp_c":null,"low_c":null,"high_c":null,"rate_c_min":null,
		"opens_in_s":null,"opens_in_u_s":null,"closes_in_s":null,"closes_in_u_s":null,"quality":"no probe","quality_code":"no_probe","source":"none","level_shift_ml":null,"level_shift_share":null,"past_c":[]}`,
	"alerts":   `{"ts":"2026-01-31T12:00:00.000Z","alerts":[]}`,
	"readings": `{"ts":"2026-01-31T12:00:00.000Z","sensor":"a","n":1,"kg":1.5,"stability":"stable","faults":[]}`,
	"commands": `{"id":"a","do":"phase","phase":"draining"}`,
	"replies":  `{"id":"a","ok":false,"error":"no"}`,
}

// TestSchemasAreStrict checks that the schemas refuse a field too many or too few, a
// wrong type, an unknown word, and figures that exclude each other.
func TestSchemasAreStrict(t *testing.T) {
	for leaf, message := range right {
		if err := schematest.Validate(leaf, []byte(message)); err != nil {
			t.Errorf("a right message: %v", err)
		}
		var fields map[string]any
		if err := json.Unmarshal([]byte(message), &fields); err != nil {
			t.Fatal(err)
		}
		fields["more"] = 1
		if schematest.Validate(leaf, encode(t, fields)) == nil {
			t.Errorf("%s: a field too many passes", leaf)
		}
		delete(fields, "more")
		optional := map[string]bool{"kg": true, "stability": true}
		for name, value := range fields {
			delete(fields, name)
			if !optional[name] && schematest.Validate(leaf, encode(t, fields)) == nil {
				t.Errorf("%s: passes without %s", leaf, name)
			}
			fields[name] = []any{false}
			if schematest.Validate(leaf, encode(t, fields)) == nil {
				t.Errorf("%s: %s may be a list of false", leaf, name)
			}
			fields[name] = value
		}
	}
	for _, c := range []struct{ leaf, old, new string }{
		{"presence", `"since":null`, `"since":"2026-01-31T12:00:00.000Z"`}, // offline since
		{"presence", `false,"since":null`, `true,"since":null`},
		{"window", `"blind"`, `"ajar"`},
		{"window", `12:00:00.000Z`, `12:00:00Z`},
		{"about", `"kind":"slope"`, `"kind":"odd"`},
		{"about", `,"moved_kg":null`, ``},
		{"choices", `"dipstick"`, `"by ear"`},
		{"choices", `,"measured_here":false`, ``},
		{"readings", `"kg":1.5`, `"kg":1.5,"c":20`},
		{"readings", `[]`, `["odd"]`},
		{"commands", `"phase":"draining"`, `"phase":"lunch"`},
		{"commands", `"id":"a"`, `"id":"a b"`},
		{"replies", `false,"error":"no"`, `false`},
		{"replies", `"error":"no"`, `"error":"no","refused":{"say":"refuse.skips"}`},
		{"replies", `false,"error":"no"`, `true,"error":"no"`},
		{"replies", `false,"error":"no"`, `true,"understood":[]`},
		{"replies", `false,"error":"no"`, `true,"understood":[{"say":"understood.volume","text":"1.00 L"}]`},
	} {
		broken := strings.Replace(right[c.leaf], c.old, c.new, 1)
		if broken == right[c.leaf] {
			t.Fatalf("%s has no %s", c.leaf, c.old)
		}
		if schematest.Validate(c.leaf, []byte(broken)) == nil {
			t.Errorf("%s: %s in place of %s passes", c.leaf, c.new, c.old)
		}
	}
	if schematest.Validate("nothing", []byte(`{}`)) == nil {
		t.Error("a leaf that does not exist passes")
	}
}

// TestPublishedByTopic checks that a message is judged by its topic, and that commands
// are not judged.
func TestPublishedByTopic(t *testing.T) {
	for _, c := range []struct {
		topic, payload string
		right          bool
	}{
		{"bayfill/hilltop/bay2/alerts", right["alerts"], true},
		{"bayfill/hilltop/bay2/alerts", right["window"], false},
		{"bayfill/hilltop/bay2/alerts", "", false},
		{"bayfill/hilltop/bay2/replies/a", right["replies"], true},
		{"bayfill/hilltop/bay2/replies/a", "{}", false},
		{"bayfill/hilltop/bay2/lunch", "{}", false},
		{"bayfill/hilltop/bay2/commands", "tare!", true},
		{"canary", "old", true},
	} {
		if err := schematest.Published(c.topic, []byte(c.payload)); (err == nil) != c.right {
			t.Errorf("%s on %s: %v", c.payload, c.topic, err)
		}
	}
}

// TestEveryFieldIsExplained checks that each figure has its unit or its meaning in
// words.
func TestEveryFieldIsExplained(t *testing.T) {
	var walk func(where string, node any)
	walk = func(where string, node any) {
		switch n := node.(type) {
		case map[string]any:
			types, _ := json.Marshal(n["type"])
			if strings.Contains(string(types), `"number"`) && n["description"] == nil {
				t.Errorf("%s: a figure without a word about its unit", where)
			}
			if n["type"] == "object" && n["oneOf"] == nil && n["additionalProperties"] != false && !sameKind(n["additionalProperties"]) {
				t.Errorf("%s: lets any field in", where)
			}
			for key, value := range n {
				walk(where+"/"+key, value)
			}
		case []any:
			for _, value := range n {
				walk(where, value)
			}
		}
	}
	for _, leaf := range schema.Names() {
		walk(leaf, load(t, leaf+".json"))
	}
}

// TestAsyncAPI checks that the document is consistent: each reference is valid, each
// leaf has its own channel with its schema, each part is used, and the examples are
// valid.
func TestAsyncAPI(t *testing.T) {
	doc := load(t, "asyncapi.yaml").(map[string]any)
	used := map[string]bool{}
	var walk func(where string, node any)
	walk = func(where string, node any) {
		switch n := node.(type) {
		case map[string]any:
			if ref, ok := n["$ref"].(string); ok {
				file, pointer, local := strings.Cut(ref, "#/")
				to := any(doc)
				if file != "" {
					to = load(t, file)
				}
				for _, part := range strings.Split(pointer, "/") {
					if !local {
						break
					}
					m, _ := to.(map[string]any)
					to = m[part]
				}
				if to == nil {
					t.Errorf("%s: $ref %s leads nowhere", where, ref)
				}
				used[ref] = true
			}
			for key, value := range n {
				walk(where+"/"+key, value)
			}
		case []any:
			for _, value := range n {
				walk(where, value)
			}
		}
	}
	walk("", doc)
	channels := doc["channels"].(map[string]any)
	messages := doc["components"].(map[string]any)["messages"].(map[string]any)
	for _, leaf := range schema.Names() {
		channel, _ := channels[leaf].(map[string]any)
		want := "bayfill/{shop}/{cart}/" + leaf
		if leaf == "replies" {
			want += "/{id}"
		}
		if channel["address"] != want {
			t.Errorf("leaf %s has the address %v, want %s", leaf, channel["address"], want)
		}
		for _, ref := range []string{"#/channels/" + leaf, "#/channels/" + leaf + "/messages/" + leaf, "#/components/messages/" + leaf, leaf + ".json"} {
			if !used[ref] {
				t.Errorf("nothing refers to %s", ref)
			}
		}
		message, _ := messages[leaf].(map[string]any)
		examples, _ := message["examples"].([]any)
		for _, e := range examples {
			if err := schematest.Validate(leaf, encode(t, e.(map[string]any)["payload"])); err != nil {
				t.Errorf("example: %v", err)
			}
		}
	}
	if len(channels) != len(schema.Names()) || len(messages) != len(schema.Names()) {
		t.Errorf("%d channels and %d messages for %d leaves", len(channels), len(messages), len(schema.Names()))
	}
	for kind, parts := range doc["components"].(map[string]any) {
		for name := range parts.(map[string]any) {
			if !used["#/components/"+kind+"/"+name] {
				t.Errorf("components/%s/%s is not used", kind, name)
			}
		}
	}
}

// TestAsyncAPIParser reads the document with the AsyncAPI initiative's own parser,
// which .ci/test installs. By hand: npm install -g @asyncapi/parser@3.6.6
func TestAsyncAPIParser(t *testing.T) {
	const script = `
		const {Parser, fromFile} = require("@asyncapi/parser");
		(async () => {
			for (const file of process.argv.slice(1)) {
				const {document, diagnostics} = await fromFile(new Parser(), file).parse();
				const wrong = diagnostics.filter(d => d.severity < 2).map(d => d.path.join(".") + " " + d.message);
				console.log(JSON.stringify([document ? document.channels().all().length : 0, ...wrong]));
			}
		})();`
	node := bridgetest.Node(t, "@asyncapi/parser")
	text, err := schema.File("asyncapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	broken := filepath.Join(t.TempDir(), "broken.yaml")
	if err := os.WriteFile(broken, []byte(strings.Replace(string(text), "qos: 1", "qos: 3", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	parse := node("-e", script, "asyncapi.yaml", broken)
	parse.Stderr = t.Output()
	out, err := parse.Output()
	if err != nil {
		t.Fatal(err)
	}
	// The parser finds a fault that is there, and none in this document.
	ours, other, _ := strings.Cut(string(out), "\n")
	if ours != "[11]" {
		t.Errorf("the parser finds %s, want 11 channels and nothing wrong", ours)
	}
	if !strings.Contains(other, "allowed values: 0, 1, 2") {
		t.Errorf("the parser lets a QoS of 3 pass: %s", other)
	}
}

func load(t *testing.T, name string) any {
	t.Helper()
	text, err := schema.File(name)
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	// This YAML reader is used for JSON too, since it refuses a duplicate key.
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return doc
}

func encode(t *testing.T, v any) []byte {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// sameKind reports whether an object's fields may have any name but have one described
// type.
func sameKind(additional any) bool {
	kind, ok := additional.(map[string]any)
	return ok && kind["description"] != nil
}
