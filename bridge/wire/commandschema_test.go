package wire

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"bayfill/bridge/wire/schema"
	"bayfill/bridge/words"
)

var update = flag.Bool("update", false, "rewrite the published schema of the commands")

// TestCommandsSchema compares the published schema with the descriptions of the
// commands.
func TestCommandsSchema(t *testing.T) {
	var want bytes.Buffer
	if err := json.Indent(&want, commandsSchema(), "", "  "); err != nil {
		t.Fatal(err)
	}
	want.WriteByte('\n')
	path := filepath.Join("schema", "commands.json")
	if *update {
		if err := os.WriteFile(path, want.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want.Bytes()) {
		t.Errorf("%s is not what the description of the commands says: go test ./bridge/wire -run CommandsSchema -update", path)
	}
}

// object is a JSON object that keeps the order of its fields.
type object []member

type member struct {
	name  string
	value any
}

func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	for i, m := range o {
		b.WriteByte("{,"[min(i, 1)])
		if err := e.Encode(m.name); err != nil {
			return nil, err
		}
		b.WriteByte(':')
		if err := e.Encode(m.value); err != nil {
			return nil, err
		}
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

func ref(name string) object { return object{{"$ref", "#/$defs/" + name}} }

func commandsSchema() []byte {
	var all []object
	defs := object{{"command", nil}, {"signed", signedSchema}, {"id", object{
		{"description", "Letters, digits, _ and -: it is part of a topic."}, {"type", "string"}, {"pattern", IDPattern.String()}}},
		{"time", object{{"description", "RFC 3339."}, {"type", "string"}, {"format", "date-time"}}},
		{"text", object{{"type", "string"}, {"minLength", 1}, {"maxLength", MaxText}}},
		{"amount", object{{"description", "An amount with its unit, as in 4 qt, 7 pt imp, 350 mL, 95 F, 2 oz, 165 in-lb."}, {"type", "string"}, {"minLength", 1}, {"maxLength", MaxText},
			{"pattern", `^[-−]?[0-9]*\.?[0-9]+ ?[^0-9., ].*$`}}}}
	for i := range Commands {
		all = append(all, ref(Commands[i].Do))
		defs = append(defs, member{Commands[i].Do, commandSchema(&Commands[i])})
		for _, f := range Commands[i].Fields {
			if f.Shared {
				defs = append(defs, member{f.Name, object{{"description", words.Plain.Word(f.About)}, {"enum", f.Choices}}})
			}
		}
	}
	defs[0].value = object{{"oneOf", all}}
	text, err := json.Marshal(object{
		{"$schema", "https://json-schema.org/draft/2020-12/schema"}, {"$id", schema.Base + "commands.json"}, {"title", "commands"},
		{"description", "What people send. QoS 1, never retained. The sender needs the right to command."}, {"type", "object"},
		{"oneOf", []object{ref("command"), ref("signed")}}, {"$defs", defs}})
	if err != nil {
		panic(err)
	}
	return text
}

var signedSchema = object{
	{"description", "A signed command. A cart that has a key accepts no others."}, {"type", "object"}, {"additionalProperties", false},
	{"required", []string{"signed", "counter", "mac"}},
	{"properties", object{
		{"signed", object{{"description", "One of the commands, as JSON text. The reply goes to its id."}, {"type", "string"},
			{"contentMediaType", "application/json"}, {"contentSchema", ref("command")}}},
		{"counter", object{{"description", "Higher than all before it on this cart; the time in milliseconds since 1970 is suitable."}, {"type", "integer"},
			{"minimum", 1}, {"maximum", MaxCounter}}},
		{"mac", object{{"description", "HMAC-SHA256 with the shop's key over the topic (bayfill/SHOP/CART/commands), a line feed, counter in decimal, a line feed, and the text of signed; as 64 hexadecimal digits."},
			{"type", "string"}, {"pattern", "^[0-9A-Fa-f]{64}$"}}},
	}},
}

func commandSchema(c *CommandType) object {
	properties, required := object{}, []string{}
	var instead string
	var unless []string
	for _, list := range [][]Field{envelope, c.Fields} {
		for _, f := range list {
			s := fieldSchema(&f)
			if f.Name == "do" {
				s = object{{"const", c.Do}}
			}
			properties = append(properties, member{f.Name, s})
			switch {
			case f.Unless != "":
				instead, unless = f.Unless, append(unless, f.Name)
			case f.Required:
				required = append(required, f.Name)
			}
		}
	}
	s := object{{"description", words.Plain.Word(c.About)}, {"type", "object"}, {"additionalProperties", false}, {"required", required}}
	if unless != nil {
		s = append(s, member{"anyOf", []object{{{"required", []string{instead}}}, {{"required", unless}}}})
	}
	return append(s, member{"properties", properties})
}

func fieldSchema(f *Field) object {
	s := object{{"description", words.Plain.Word(f.About)}}
	figure := func(kind string) object {
		s = append(s, member{"type", kind})
		if f.Range == nil {
			return s
		}
		low := "minimum"
		if f.Range.Above {
			low = "exclusiveMinimum"
		}
		s = append(s, member{low, f.Range.Low})
		if f.Range.High != maxNumber && f.Range.High != maxWhole {
			s = append(s, member{"maximum", f.Range.High})
		}
		return s
	}
	switch f.Kind {
	case KindID:
		return append(s, ref("id")...)
	case KindMoment:
		return append(s, ref("time")...)
	case KindAmount:
		s = object{{"description", "In " + string(f.Quantity) + "."}}
		return object{{"description", words.Plain.Word(f.About)}, {"oneOf", []object{figure("number"), ref("amount")}}}
	case KindNumber:
		return figure("number")
	case KindWhole:
		return figure("integer")
	case KindChoice:
		if f.Shared {
			return ref(f.Name)
		}
		return append(s, member{"enum", f.Choices})
	}
	if f.Empty {
		return append(s, member{"type", "string"}, member{"maxLength", MaxText})
	}
	return append(s, ref("text")...)
}
