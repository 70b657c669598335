package main

import (
	"cmp"
	"embed"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/wire"
	"bayfill/bridge/wire/schema"
	"bayfill/bridge/words"
	"bayfill/sensors"
	example "bayfill/testdata/config"
)

// topics are what "bayfill help TOPIC" prints, and REFERENCE.md holds: text, with what the
// program says of itself in the place of {{names}}.
//
//go:embed topics/*.md
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
				if reader.Language != words.English {
					fmt.Fprintf(cmd.OutOrStdout(), "%s\n\n", reader.Word("usage.topic_english"))
				}
				_, err = fmt.Fprint(cmd.OutOrStdout(), inColumns(topicText(t.name), terminalWidth(cmd.OutOrStdout())))
				return err
			},
		}
		lang.add(topic.Flags())
		list = append(list, topic)
	}
	return list
}

// topicText is a topic with everything filled in.
func topicText(name string) string {
	text, err := topicFiles.ReadFile(path.Join("topics", name+".md"))
	if err != nil {
		panic("topics: " + err.Error()) // the files are part of the program
	}
	for place, make := range map[string]func() string{
		"{{patterns}}": patternsText, "{{configuration}}": configurationText, "{{leaves}}": leavesText, "{{commands}}": commandsText, "{{criteria}}": criteriaText,
	} {
		if strings.Contains(string(text), place) {
			return strings.Replace(string(text), place, make(), 1)
		}
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
		b.WriteString("\n" + topicText(t.name))
	}
	return b.String()
}

func patternsText() string {
	var b strings.Builder
	b.WriteString("| `pattern` | matches a line like |\n| --- | --- |\n")
	for _, p := range sensors.Patterns {
		fmt.Fprintf(&b, "| `%s` | `%s` |\n", p.Name, p.Example)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func configurationText() string {
	return "```yaml\n" + example.Example + "```"
}

func commandsText() string {
	var b strings.Builder
	for i := range wire.Commands {
		c := &wire.Commands[i]
		fmt.Fprintf(&b, "\n## %s\n\n%s\n\n", c.Do, words.Plain.Word(c.About))
		for j := range c.Fields {
			f := &c.Fields[j]
			need := ""
			switch {
			case f.Required && f.Unless != "":
				need = "needed without " + f.Unless + "; "
			case f.Required:
				need = "needed; "
			}
			fmt.Fprintf(&b, "- `%s` (%s%s): %s\n", f.Name, need, valueOf(f), words.Plain.Word(f.About))
		}
	}
	return strings.TrimSpace(b.String())
}

// valueOf says what the value of a field is.
func valueOf(f *wire.Field) string {
	switch f.Kind {
	case wire.KindNumber:
		return "a number, such as 0.5"
	case wire.KindChoice:
		return "one of " + strings.Join(f.Choices, ", ")
	case wire.KindMoment:
		return "a time, such as \"2026-01-31T12:00:00Z\""
	case wire.KindID:
		return "a text of 1 to 64 of A-Z a-z 0-9 _ -"
	case wire.KindWhole:
		return "a whole number, such as 1"
	case wire.KindAmount:
		return fmt.Sprintf("a number, such as 0.5, or an amount with its unit, such as %q", f.Quantity.Example())
	}
	return "a text"
}

// leafSchema is as much of a JSON Schema as the reference shows.
type leafSchema struct {
	Description string
	Properties  map[string]struct {
		Description string
		Ref         string `json:"$ref"`
	}
	Defs map[string]struct{ Description string } `json:"$defs"`
}

func leavesText() string {
	var b strings.Builder
	for _, leaf := range append(slices.Clone(wire.StateLeaves), wire.ReadingsLeaf, wire.RepliesLeaf) {
		text, err := schema.File(string(leaf) + ".json")
		if err != nil {
			panic("topics: " + err.Error())
		}
		var s leafSchema
		if err := json.Unmarshal(text, &s); err != nil {
			panic("topics: " + err.Error())
		}
		fmt.Fprintf(&b, "## %s\n\n%s\n\n", leaf, s.Description)
		for _, name := range propertyNames(text) {
			p := s.Properties[name]
			about := cmp.Or(p.Description, s.Defs[strings.TrimPrefix(p.Ref, "#/$defs/")].Description)
			if about == "" {
				fmt.Fprintf(&b, "- `%s`\n", name)
				continue
			}
			fmt.Fprintf(&b, "- `%s`: %s\n", name, about)
		}
		b.WriteString("\n")
	}
	return strings.TrimSpace(b.String())
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
func criteriaText() string {
	var b strings.Builder
	for _, name := range []string{"record", "amount", "level", "decisions", "calibrations", "sensors"} {
		fmt.Fprintf(&b, "- %s.\n", words.Plain.Word("criterion."+name))
	}
	return strings.TrimSpace(b.String())
}
