package wire

import (
	"fmt"
	"slices"
	"strings"

	"bayfill/bridge/typo"
	"bayfill/fillcalc"
)

// CommandType describes one command.
type CommandType struct {
	Do     string
	About  string   // the key of a sentence for people
	Board  bool     // the board has a button for it
	Words  []string // the fields that "bayfill job" takes as bare words, in this order
	Fields []Field  // in addition to envelope

	begin func(in *fillcalc.Input) // prepares the input for the setters; nil when nothing is to prepare
}

// envelope lists the fields that every command may have.
var envelope = []Field{
	{Name: "id", Kind: KindID, Required: true, About: "explain.id"},
	{Name: "do", Kind: KindText, Required: true, About: "explain.do"},
	{Name: "not_after", Kind: KindMoment, About: "explain.not_after"},
	{Name: "by", Kind: KindText, About: "explain.by"},
}

// Field finds a field of the command or of envelope by its name.
func (c *CommandType) Field(name string) (*Field, bool) {
	for _, list := range [][]Field{envelope, c.Fields} {
		if i := slices.IndexFunc(list, func(f Field) bool { return f.Name == name }); i >= 0 {
			return &list[i], true
		}
	}
	return nil, false
}

// MustField is Field for a name that is fixed in the program; it panics when there is
// no such field.
func (c *CommandType) MustField(name string) *Field {
	f, known := c.Field(name)
	if !known {
		panic("wire: " + c.Do + " has no field " + name)
	}
	return f
}

// AllFields lists the fields of envelope and the command's own.
func (c *CommandType) AllFields() []Field { return slices.Concat(envelope, c.Fields) }

// fieldNames lists the names of all fields.
func (c *CommandType) fieldNames() (names []string) {
	for _, f := range c.AllFields() {
		names = append(names, f.Name)
	}
	return names
}

// CommandNamed finds the description of a command. The error lists all commands.
func CommandNamed(do string) (*CommandType, error) {
	var known []string
	for i := range Commands {
		if Commands[i].Do == do {
			return &Commands[i], nil
		}
		known = append(known, Commands[i].Do)
	}
	return nil, fmt.Errorf("do: %.40q is not one of %s", do, strings.Join(known, ", "))
}

// unknown is the error for a field that the command does not have. It suggests the
// nearest one.
func (c *CommandType) unknown(name string) error {
	known := c.fieldNames()
	hint := "it has " + strings.Join(known, ", ")
	if near := typo.Nearest(name, known); near != "" {
		hint = "did you mean " + near + "?"
	}
	return fmt.Errorf("%.40s: not a field of %s: %s", name, c.Do, hint)
}
