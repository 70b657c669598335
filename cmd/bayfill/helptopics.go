package main

import (
	"cmp"
	"embed"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/spf13/cobra"

	"bayfill/bridge/wire"
	"bayfill/bridge/wire/schema"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sensors"
	example "bayfill/testdata/config"
)

// topicFiles are what "bayfill help TOPIC" prints in each language, and REFERENCE.md holds in
// English: text, with what the program says of itself in the place of {{names}}.
//
//go:embed topics
var topicFiles embed.FS

// topics in the order of the reference.
var topics = []struct{ name, short string }{
	{"protocols", "help.topic_protocols"},
	{"configuration", "help.topic_configuration"},
	{"leaves", "help.topic_leaves"},
	{"commands", "help.topic_commands"},
	{"audit", "help.topic_audit"},
	{"fleet", "help.topic_fleet"},
	{"history", "help.topic_history"},
}

func topicCommands() (list []*cobra.Command) {
	for _, t := range topics {
		var lang languageFlag
		topic := &cobra.Command{
			Use:     t.name,
			Short:   t.short,
			Example: "  bayfill help " + t.name,
			Args:    cobra.NoArgs,
			RunE: func(cmd *cobra.Command, _ []string) error {
				reader, err := lang.reader()
				if err != nil {
					return err
				}
				_, err = fmt.Fprint(cmd.OutOrStdout(), inColumns(topicText(reader, t.name), terminalWidth(cmd.OutOrStdout())))
				return err
			},
		}
		lang.add(topic.Flags())
		list = append(list, topic)
	}
	return list
}

// topicText is a topic in the reader's language with everything filled in.
func topicText(r words.Reader, name string) string {
	text := topicFile(r, name+".md")
	for place, make := range map[string]func(words.Reader) string{
		"{{patterns}}": patternsText, "{{configuration}}": configurationText, "{{leaves}}": leavesText, "{{commands}}": commandsText, "{{criteria}}": criteriaText,
	} {
		if strings.Contains(text, place) {
			return strings.Replace(text, place, make(r), 1)
		}
	}
	return text
}

func topicFile(r words.Reader, name string) string {
	text, err := topicFiles.ReadFile(path.Join("topics", string(r.Language), name))
	if err != nil {
		panic("topics: " + err.Error()) // the files are part of the program
	}
	return string(text)
}

// referenceText is REFERENCE.md.
func referenceText() string {
	var b strings.Builder
	b.WriteString("# Reference\n\nGenerated from the program: `bayfill help TOPIC` prints the same, and `go test ./cmd/bayfill -run Reference -update` writes it.\n\n")
	for _, t := range topics {
		fmt.Fprintf(&b, "- [%s](#%s): %s\n", t.name, t.name, words.Plain.Word(t.short))
	}
	for _, t := range topics {
		b.WriteString("\n" + topicText(words.Plain, t.name))
	}
	return b.String()
}

func patternsText(r words.Reader) string {
	var b strings.Builder
	fmt.Fprintf(&b, "| `pattern` | %s |\n| --- | --- |\n", r.Word("explain.matches"))
	for _, p := range sensors.Patterns {
		fmt.Fprintf(&b, "| `%s` | `%s` |\n", p.Name, p.Example)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// configurationText is the example with every key. It has its comments in English; the topic of
// another language holds it itself.
func configurationText(words.Reader) string {
	return "```yaml\n" + example.Example + "```"
}

func commandsText(r words.Reader) string {
	var b strings.Builder
	for i := range wire.Commands {
		c := &wire.Commands[i]
		fmt.Fprintf(&b, "\n## %s\n\n%s\n\n", c.Do, r.Word(c.About))
		for j := range c.Fields {
			f := &c.Fields[j]
			need := ""
			switch {
			case f.Required && f.Unless != "":
				need = r.Say(fillcalc.Text{Key: "explain.needed_without", Names: names{"field": f.Unless}}) + "; "
			case f.Required:
				need = r.Word("explain.needed") + "; "
			}
			fmt.Fprintf(&b, "- `%s` (%s%s): %s\n", f.Name, need, valueOf(r, f), r.Word(f.About))
		}
	}
	return strings.TrimSpace(b.String())
}

// valueOf says what the value of a field is.
func valueOf(r words.Reader, f *wire.Field) string {
	switch f.Kind {
	case wire.KindNumber:
		return r.Word("explain.a_number")
	case wire.KindChoice:
		return r.Say(fillcalc.Text{Key: "explain.a_choice", Names: names{"choices": strings.Join(f.Choices, ", ")}})
	case wire.KindMoment:
		return r.Word("explain.a_time")
	case wire.KindID:
		return r.Word("explain.an_id")
	case wire.KindWhole:
		return r.Word("explain.a_whole")
	case wire.KindAmount:
		return r.Say(fillcalc.Text{Key: "explain.an_amount", Names: names{"example": f.Quantity.Example()}})
	}
	return r.Word("explain.a_text")
}

// describedLeaves are the leaves of the reference, in its order.
func describedLeaves() []wire.Leaf {
	return append(slices.Clone(wire.StateLeaves), wire.ReadingsLeaf, wire.RepliesLeaf)
}

func leavesText(r words.Reader) string {
	var b strings.Builder
	said := leafWords(r)
	for _, leaf := range describedLeaves() {
		fmt.Fprintf(&b, "## %s\n\n%s\n\n", leaf, said[string(leaf)])
		for _, name := range propertyNames(leafSchemaText(leaf)) {
			fmt.Fprintf(&b, "- `%s`", name)
			if about := said[string(leaf)+"."+name]; about != "" {
				b.WriteString(": " + about)
			}
			b.WriteString("\n")
		}
		b.WriteString("\n")
	}
	return strings.TrimSpace(b.String())
}

// leafWords are the meanings of leaves, and of their fields as leaf.field. In English the
// schemas hold them.
func leafWords(r words.Reader) map[string]string {
	said := map[string]string{}
	if r.Language != words.English {
		if err := yaml.Unmarshal([]byte(topicFile(r, "leaves.yaml")), &said); err != nil {
			panic("topics: " + err.Error())
		}
		return said
	}
	for _, leaf := range describedLeaves() {
		var s struct {
			Description string
			Properties  map[string]struct {
				Description string
				Ref         string `json:"$ref"`
			}
			Defs map[string]struct{ Description string } `json:"$defs"`
		}
		if err := json.Unmarshal(leafSchemaText(leaf), &s); err != nil {
			panic("topics: " + err.Error())
		}
		said[string(leaf)] = s.Description
		for name, p := range s.Properties {
			if about := cmp.Or(p.Description, s.Defs[strings.TrimPrefix(p.Ref, "#/$defs/")].Description); about != "" {
				said[string(leaf)+"."+name] = about
			}
		}
	}
	return said
}

func leafSchemaText(leaf wire.Leaf) []byte {
	text, err := schema.File(string(leaf) + ".json")
	if err != nil {
		panic("topics: " + err.Error())
	}
	return text
}

// propertyNames are the names of a schema's properties in the order of the file.
func propertyNames(text []byte) (names []string) {
	var top struct{ Properties json.RawMessage }
	if json.Unmarshal(text, &top) != nil {
		return nil
	}
	d := json.NewDecoder(strings.NewReader(string(top.Properties)))
	for depth := 0; ; {
		token, err := d.Token()
		if err != nil {
			return names
		}
		switch token {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		default:
			if name, is := token.(string); is && depth == 1 {
				names = append(names, name)
			}
		}
	}
}

// criteriaText lists the rules of the verdict.
func criteriaText(r words.Reader) string {
	var b strings.Builder
	for _, name := range []string{"record", "amount", "level", "decisions", "calibrations", "sensors"} {
		fmt.Fprintf(&b, "- %s.\n", r.Word("criterion."+name))
	}
	return strings.TrimSpace(b.String())
}
