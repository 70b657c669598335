package wire

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"bayfill/bridge/wire/schema"
	"bayfill/fillcalc"
)

// TestSchemasNameTheFields checks that the published schemas have exactly the fields of
// the messages, with their types.
func TestSchemasNameTheFields(t *testing.T) {
	for leaf, message := range map[Leaf]any{
		PresenceLeaf: Presence{}, AboutLeaf: About{}, ChoicesLeaf: Choices{}, VolumesLeaf: Volumes{}, WindowLeaf: Window{},
		JobLeaf: Job{}, AlertsLeaf: Alerts{}, ReadingsLeaf: Reading{}, RepliesLeaf: Reply{},
	} {
		at := contractNode(t, string(leaf)+".json")
		at.sameFields(reflect.TypeOf(message))
	}
}

// TestSchemaNamesTheQualityCodes compares the published list with the program's.
func TestSchemaNamesTheQualityCodes(t *testing.T) {
	n := contractNode(t, "volumes.json").follow("#/$defs/quality_code")
	var listed []string
	for _, code := range n.json["enum"].([]any) {
		listed = append(listed, code.(string))
	}
	n.same("codes", textsOf(fillcalc.QualityCodes()...), listed)
}

// TestSchemaNamesTheAlertCodes compares the published list with the program's.
func TestSchemaNamesTheAlertCodes(t *testing.T) {
	n := contractNode(t, "alerts.json").property("alerts")
	items := n.json["items"].(map[string]any)["properties"].(map[string]any)
	var listed []string
	for _, code := range items["code"].(map[string]any)["enum"].([]any) {
		listed = append(listed, code.(string))
	}
	n.same("codes", textsOf(AlertCodes...), listed)
}

// TestSchemaNamesTheTones compares the published list with the program's.
func TestSchemaNamesTheTones(t *testing.T) {
	n := contractNode(t, "job.json").follow("#/$defs/tone")
	var listed []string
	for _, tone := range n.json["enum"].([]any) {
		listed = append(listed, tone.(string))
	}
	n.same("tones", textsOf(fillcalc.Tones...), listed)
}

// TestAsyncAPINamesTheRetained checks that the document marks exactly the state leaves
// as retained.
func TestAsyncAPINamesTheRetained(t *testing.T) {
	text, err := schema.File("asyncapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Operations map[string]struct {
			Channel, Bindings struct {
				Ref string `yaml:"$ref"`
			}
		}
	}
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	var retained, want []string
	for _, o := range doc.Operations {
		if o.Bindings.Ref == "#/components/operationBindings/state" {
			retained = append(retained, strings.TrimPrefix(o.Channel.Ref, "#/channels/"))
		}
	}
	for _, leaf := range StateLeaves {
		want = append(want, string(leaf))
	}
	(&contract{t: t, at: "asyncapi.yaml"}).same("retained leaves", want, retained)
}

// contract is a position in a schema.
type contract struct {
	t    *testing.T
	file string
	at   string
	json map[string]any
}

func contractNode(t *testing.T, file string) *contract {
	t.Helper()
	text, err := schema.File(file)
	if err != nil {
		t.Fatal(err)
	}
	n := &contract{t: t, file: file, at: file}
	if err := json.Unmarshal(text, &n.json); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return n
}

// follow resolves a reference.
func (n *contract) follow(ref string) *contract {
	n.t.Helper()
	file, pointer, _ := strings.Cut(ref, "#")
	if file == "" {
		file = n.file
	}
	to := contractNode(n.t, file)
	for _, part := range strings.Split(strings.Trim(pointer, "/"), "/") {
		if part != "" {
			to.json, _ = to.json[part].(map[string]any)
		}
	}
	if to.json == nil {
		n.t.Fatalf("%s: %s leads nowhere", n.at, ref)
	}
	to.at = n.at
	return to
}

// resolved follows references, and takes the other choice where one is null.
func (n *contract) resolved() (to *contract, nullable bool) {
	if ref, ok := n.json["$ref"].(string); ok {
		return n.follow(ref).resolved()
	}
	choices, _ := n.json["oneOf"].([]any)
	for _, c := range choices {
		if m := c.(map[string]any); m["type"] != "null" {
			to, _ = (&contract{n.t, n.file, n.at, m}).resolved()
			return to, true
		}
	}
	return n, slices.Contains(n.types(), "null")
}

func (n *contract) properties() map[string]any {
	p, _ := n.json["properties"].(map[string]any)
	return p
}

func (n *contract) property(name string) *contract {
	json, _ := n.properties()[name].(map[string]any)
	return &contract{n.t, n.file, n.at + "." + name, json}
}

func (n *contract) required() (names []string) {
	list, _ := n.json["required"].([]any)
	for _, name := range list {
		names = append(names, name.(string))
	}
	return names
}

func (n *contract) types() (types []string) {
	switch typ := n.json["type"].(type) {
	case string:
		return []string{typ}
	case []any:
		for _, one := range typ {
			types = append(types, one.(string))
		}
		return types
	}
	// Enums and constants have the type of their values.
	values, _ := n.json["enum"].([]any)
	if c, ok := n.json["const"]; ok {
		values = append(values, c)
	}
	for _, v := range values {
		switch v.(type) {
		case string:
			types = append(types, "string")
		case float64:
			types = append(types, "integer")
		}
	}
	return slices.Compact(types)
}

// same reports what only the program or only the contract has.
func (n *contract) same(what string, program, contract []string) {
	n.t.Helper()
	for _, name := range program {
		if !slices.Contains(contract, name) {
			n.t.Errorf("%s: its %s lack %s, which the program has", n.at, what, name)
		}
	}
	for _, name := range contract {
		if !slices.Contains(program, name) {
			n.t.Errorf("%s: its %s have %s, which the program has not", n.at, what, name)
		}
	}
}

// sameFields compares an object with a struct.
func (n *contract) sameFields(typ reflect.Type) {
	n.t.Helper()
	var all, always []string
	for _, f := range reflect.VisibleFields(typ) {
		if f.Anonymous {
			continue // its fields are visible too
		}
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		all = append(all, name)
		if options == "" {
			always = append(always, name)
		}
		if n.properties()[name] == nil {
			continue // reported below
		}
		at := n.property(name)
		at.fits(f.Type)
		if _, nullable := at.resolved(); f.Type.Kind() == reflect.Pointer && nullable != (options == "") {
			n.t.Errorf("%s: may be null: %t, in the program it is left out: %t", at.at, nullable, options != "")
		}
	}
	n.same("fields", all, slices.Collect(maps.Keys(n.properties())))
	n.same("required fields", always, n.required())
}

// fits compares one value with its type in the program.
func (n *contract) fits(typ reflect.Type) {
	n.t.Helper()
	to, nullable := n.resolved()
	if typ.Kind() == reflect.Pointer {
		typ = typ.Elem() // of messages: see sameFields
	} else if nullable != (typ == reflect.TypeFor[Number]()) {
		n.t.Errorf("%s: may be null: %t, in the program it is a %s", n.at, nullable, typ)
	}
	want := map[reflect.Kind]string{
		reflect.String: "string", reflect.Bool: "boolean", reflect.Float64: "number", reflect.Int: "integer", reflect.Uint64: "integer",
		reflect.Slice: "array", reflect.Struct: "object", reflect.Map: "object",
	}[typ.Kind()]
	if !slices.Contains(to.types(), want) {
		n.t.Errorf("%s: is of the types %v, in the program it is a %s", n.at, to.types(), typ)
		return
	}
	switch typ.Kind() {
	case reflect.Struct:
		to.sameFields(typ)
	case reflect.Map:
		values, _ := to.json["additionalProperties"].(map[string]any)
		(&contract{n.t, to.file, n.at + ".*", values}).fits(typ.Elem())
	case reflect.Slice:
		items, _ := to.json["items"].(map[string]any)
		(&contract{n.t, to.file, n.at + "[]", items}).fits(typ.Elem())
	}
}
