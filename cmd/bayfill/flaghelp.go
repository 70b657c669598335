package main

import (
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/words"
)

// The template of the help calls flagHelp with the language; the library's functions for templates
// belong to all commands.
func init() { cobra.AddTemplateFunc("flagHelp", flagHelp) }

// flagKinds are what the library calls the value of a flag, and how it is said.
var flagKinds = map[string]string{
	"string": "help.a_text", "strings": "help.a_list", "stringArray": "help.a_text", "duration": "help.a_time", "int": "help.a_number", "uint": "help.a_number", "float": "help.a_number",
}

var flagKind = regexp.MustCompile(`(?m)(^ +(?:-\w, |    )--[a-z-]+ )(\w+)( {2,})`)

// flagHelp says in a language what the library says itself in the list of flags: the kinds of
// values, and the defaults. The columns stay where they are.
func flagHelp(l words.Language, list string) string {
	r := words.Reader{Language: l}
	list = flagKind.ReplaceAllStringFunc(list, func(found string) string {
		part := flagKind.FindStringSubmatch(found)
		key, known := flagKinds[part[2]]
		if !known {
			return found
		}
		kind := r.Word(key)
		return part[1] + kind + strings.Repeat(" ", max(2, len(part[2]+part[3])-len(kind)))
	})
	return strings.NewReplacer("(default ", "("+r.Word("help.default")+" ", "(default\n", "("+r.Word("help.default")+"\n").Replace(list)
}
