package main

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// shortcuts are subcommands that enter one kind of thing.
var shortcuts = map[string]shortcut{
	"level":    {"explain.level", "l", "explain.level_l", []string{"u_l", "why"}, map[string]any{"what": "level"}},
	"bottle":   {"explain.bottle", "l", "explain.bottle_l", []string{"share", "why"}, map[string]any{"what": "bottle", "share": 1}},
	"dipstick": {"explain.dipstick", "share", "explain.dipstick_share", nil, map[string]any{"what": "dipstick"}},
}

// examples are how each subcommand may be used.
var examples = map[string]string{
	"open": `open --vehicle van --fluid "amber 6" --low-c "95 F" --high-c "113 F"`, "phase": "phase draining", "baseline": "baseline",
	"answer": "answer 1 fluid", "clear": "clear", "enter": `enter spilled "3 fl oz"`, "record": `record torque done --applied "165 in-lb"`,
	"undo": "undo", "gear": "gear R", "weigh": "weigh bench", "density": `density bench "amber 7" "1 L"`, "close": "close",
	"abandon": `abandon --why "the vehicle was towed"`, "republish": "republish",
	"level": `level "0.2 L"`, "bottle": `bottle "1 qt"`, "dipstick": "dipstick 0.5",
}

type shortcut struct {
	short    string
	word     string // the field that is the argument
	about    string // what the argument is; a key, as short
	flags    []string
	defaults map[string]any
}

// command is enter with only these fields.
func (s shortcut) command() wire.CommandType {
	enter, _ := wire.CommandNamed("enter") // there is one
	c := wire.CommandType{Do: enter.Do, About: s.short, Words: []string{s.word}}
	for _, name := range append([]string{s.word}, s.flags...) {
		f := *enter.MustField(name)
		if name == s.word {
			f.Required, f.About = true, s.about
		}
		c.Fields = append(c.Fields, f)
	}
	return c
}

// command makes the subcommand name, which sends the command c. Its words are arguments,
// its other fields flags. defaults are fields that are set unless the person sets them.
func (o *jobOptions) command(name string, c *wire.CommandType, defaults map[string]any) *cobra.Command {
	use, long, minArgs := name, c.About, 0
	for _, word := range c.Words {
		f := c.MustField(word)
		if f.Required {
			minArgs++
			use += " " + strings.ToUpper(word)
		} else {
			use += " [" + strings.ToUpper(word) + "]"
		}
		long += "\n\n" + strings.ToUpper(word) + ": " + help(f)
	}
	cmd := &cobra.Command{
		Use: use, Short: "help.job_" + name, Long: long, Example: "  bayfill job " + examples[name],
		Args: func(cmd *cobra.Command, args []string) error {
			return cobra.RangeArgs(minArgs, len(c.Words))(cmd, together(c, args))
		},
	}
	fieldOf := addFields(cmd.Flags(), c)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		e := entries{command: c, words: c.Words, message: map[string]any{"do": c.Do}, amounts: map[string]string{}}
		maps.Copy(e.message, defaults)
		if len(args) > 1 && slices.Equal(c.Words, []string{"what", "l"}) && args[0] == string(fillcalc.EnterDipstick) {
			e.words = []string{"what", "share"} // a reading of the dipstick is a share, not a volume
		}
		var wrong error
		for i, text := range together(c, args) {
			wrong = cmp.Or(wrong, e.set(e.words[i], text))
		}
		cmd.Flags().Visit(func(f *pflag.Flag) {
			if field, ok := fieldOf[f.Name]; ok {
				wrong = cmp.Or(wrong, e.set(field, f.Value.String()))
			}
		})
		if wrong == nil {
			return o.send(cmd, &e)
		}
		reader, err := o.reader("")
		if err != nil {
			return err
		}
		return e.refused(reader, new(wire.Refuse(wrong)))
	}
	return cmd
}

// together takes an amount that was typed as two words, such as 3 gallons, for one.
func together(c *wire.CommandType, args []string) []string {
	last := len(c.Words) - 1
	if last < 0 || len(args) <= len(c.Words) || c.MustField(c.Words[last]).Kind != wire.KindAmount {
		return args
	}
	return append(slices.Clone(args[:last]), strings.Join(args[last:], " "))
}

// help says, in keys, what a field is for and what it may hold.
func help(f *wire.Field) string {
	if f.Choices == nil {
		return f.About
	}
	return strings.Join([]string{f.About, "explain.one_of", strings.Join(f.Choices, ", ")}, " ") + "."
}

// addFields adds a flag for each field that is not an argument, and returns the field of
// each flag. Of the envelope only the sender may be chosen here.
func addFields(flags *pflag.FlagSet, c *wire.CommandType) (fieldOf map[string]string) {
	fieldOf = map[string]string{}
	add := func(f *wire.Field) {
		if slices.Contains(c.Words, f.Name) {
			return
		}
		flag := strings.ReplaceAll(f.Name, "_", "-")
		fieldOf[flag] = f.Name
		flags.Var(new(fieldValue), flag, help(f))
	}
	add(c.MustField("by"))
	for i := range c.Fields {
		add(&c.Fields[i])
	}
	return fieldOf
}

// fieldValue is what a person typed behind a field's flag.
type fieldValue struct {
	text  string
	given bool
}

var errTwice = error(words.NewError("usage.twice"))

func (v *fieldValue) String() string { return v.text }

func (v *fieldValue) Type() string { return "string" }

func (v *fieldValue) Set(text string) error {
	if v.given {
		return errTwice
	}
	v.text, v.given = text, true
	return nil
}
