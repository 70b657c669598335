package main

import (
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/typo"
	"bayfill/bridge/words"
)

// exitUsage is the exit status when there is no such command, or it has another number of
// words.
const exitUsage = 2

// usageError is the error that a command cannot be understood.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// misspelt returns an error when the arguments name a command or a topic of help that does
// not exist, at any level, with the nearest one that does. The library prints help and
// calls that a success.
func misspelt(root *cobra.Command, args []string, r words.Reader) error {
	root.InitDefaultCompletionCmd()
	if len(args) > 0 && strings.HasPrefix(args[0], cobra.ShellCompRequestCmd) {
		return nil
	}
	at := root
	for {
		bare := bareWords(at, args)
		if len(bare) == 0 || !at.HasSubCommands() {
			return nil
		}
		word := bare[0]
		next := childNamed(at, word.text)
		if next == nil && at.Name() == "help" {
			next = childNamed(root, word.text)
		}
		if next == nil {
			return usageError{noCommand(root, at, word.text, r)}
		}
		at, args = next, slices.Delete(slices.Clone(args), word.at, word.at+1)
	}
}

// noCommand says that a command has no subcommand of a name, and what was probably meant.
// Help explains the words of the glossary too.
func noCommand(root, at *cobra.Command, name string, r words.Reader) error {
	known := map[string]string{} // its full path, by name
	for _, c := range at.Commands() {
		if c.IsAvailableCommand() {
			known[c.Name()] = c.CommandPath()
		}
	}
	alone, beside := "usage.no_command", "usage.no_command_near"
	if at.Name() == "help" {
		for _, c := range root.Commands() {
			known[c.Name()] = at.CommandPath() + " " + c.Name()
		}
		alone, beside = "usage.no_topic", "usage.no_topic_near"
	}
	near := known[typo.Nearest(name, slices.Sorted(maps.Keys(known)))]
	if at.Name() == "help" && explained(r, name) {
		near = at.CommandPath() + " words \"" + name + "\""
	}
	key := alone
	if near != "" {
		key = beside
	}
	typed := strings.TrimPrefix(at.CommandPath()+" "+name, root.Name()+" ")
	return words.NewError(key, "typed", typed, "at", at.CommandPath(), "near", near)
}

func childNamed(at *cobra.Command, name string) *cobra.Command {
	for _, c := range at.Commands() {
		if c.Name() == name || c.HasAlias(name) {
			return c
		}
	}
	return nil
}

// bareWord is an argument that is neither a flag nor the value of one.
type bareWord struct {
	text string
	at   int
}

func bareWords(cmd *cobra.Command, args []string) (words []bareWord) {
	for i := 0; i < len(args); i++ {
		name, isFlag := strings.CutPrefix(args[i], "-")
		switch {
		case args[i] == "--":
			return words
		case !isFlag || name == "":
			words = append(words, bareWord{args[i], i})
		case !strings.Contains(name, "=") && takesValue(cmd, name):
			i++
		}
	}
	return words
}

// takesValue reports whether the value of a flag is the next argument. name is without its
// first dash.
func takesValue(cmd *cobra.Command, name string) bool {
	var f *pflag.Flag
	if long, isLong := strings.CutPrefix(name, "-"); isLong {
		if f = cmd.Flags().Lookup(long); f == nil {
			f = cmd.PersistentFlags().Lookup(long)
		}
	} else if len(name) == 1 {
		f = cmd.Flags().ShorthandLookup(name)
	}
	return f != nil && f.NoOptDefVal == ""
}

// ofRoot returns the path of a command without the program's name, which stands before
// each error.
func ofRoot(cmd *cobra.Command) string {
	return strings.TrimPrefix(cmd.CommandPath(), cmd.Root().Name()+" ")
}

// countWords makes the commands of a tree say in plain words that a word is missing, or
// that there is one too many.
func countWords(cmd *cobra.Command) {
	for _, c := range cmd.Commands() {
		countWords(c)
	}
	check := cmd.Args
	if check == nil {
		return
	}
	cmd.Args = func(cmd *cobra.Command, args []string) error {
		err := check(cmd, args)
		if err == nil {
			return nil
		}
		var wanted []string // from a use such as "job JOB" or "words [WORD]"
		for _, word := range strings.Fields(cmd.Use)[1:] {
			if strings.ToUpper(word) == word {
				wanted = append(wanted, word)
			}
		}
		switch {
		case len(args) > len(wanted):
			return usageError{words.NewError("usage.word_too_many", "command", ofRoot(cmd), "typed", args[len(wanted)], "path", cmd.CommandPath())}
		case !strings.HasPrefix(wanted[len(args)], "["):
			return usageError{words.NewError("usage.word_missing", "command", ofRoot(cmd), "word", wanted[len(args)], "path", cmd.CommandPath(), "use", strings.Join(wanted, " "))}
		}
		return err
	}
}
