package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/words"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// helpWidth is the number of columns of the help, but for the lists that cobra prints.
const helpWidth = 80

// groups are the commands by what they are for, in the order of the help.
var groups = []struct {
	id       string
	commands string
}{
	{"try", "demo sim"},
	{"up", "ports listen check calibrate service-data doctor"},
	{"run", "run board watch"},
	{"job", "job"},
	{"prove", "audit ticket stock budget history"},
	{"develop", "study schema version completion help"},
}

// helpReader is who reads the help: --lang counts before the other flags are read.
func helpReader(args []string) words.Reader {
	wanted := []string{os.Getenv("BAYFILL_LANG")}
	for i, a := range args {
		if text, is := strings.CutPrefix(a, "--lang="); is {
			wanted = append(wanted, text)
		} else if a == "--lang" && i+1 < len(args) {
			wanted = append(wanted, args[i+1])
		}
	}
	reader := words.Reader{Language: words.English}
	for _, lang := range wanted {
		if language, err := words.ParseLanguage(lang); err == nil { // else the command itself refuses it
			reader.Language = language
		}
	}
	return reader
}

// speak puts sentences in the place of the keys in the help of a command and of those
// below it.
func speak(root *cobra.Command, r words.Reader) {
	root.InitDefaultCompletionCmd()
	if c, _, err := root.Find([]string{"completion"}); err == nil {
		completionHelp(c)
	}
	for _, g := range groups {
		root.AddGroup(&cobra.Group{ID: g.id, Title: r.Word("help.group_" + g.id)})
		for _, name := range strings.Fields(g.commands) {
			if c, _, err := root.Find([]string{name}); err == nil && c != root {
				c.GroupID = g.id
			}
		}
	}
	var topicNames []string
	for _, t := range topics {
		topicNames = append(topicNames, t.name)
	}
	root.Long = r.Say(fillcalc.Text{Key: "help.root_more", Names: names{"topics": strings.Join(topicNames, ", ")}})
	root.SetUsageTemplate(headings(root.UsageTemplate(), r))
	speakBelow(root, r)
}

// headings are the template of the help with its headings in the reader's language.
func headings(template string, r words.Reader) string {
	replace := []string{`Use "{{.CommandPath}} [command] --help" for more information about a command.`, r.Word("help.use_help"), "[command]", r.Word("help.a_command")}
	for _, of := range []string{".LocalFlags", ".InheritedFlags"} {
		replace = append(replace, of+".FlagUsages", fmt.Sprintf("flagHelp %q (%s.FlagUsagesWrapped %d)", r.Language, of, helpWidth))
	}
	for _, h := range [][2]string{{"Usage:", "usage"}, {"Aliases:", "aliases"}, {"Examples:", "examples"}, {"Available Commands:", "available"}, {"Additional Commands:", "additional"}, {"Global Flags:", "global"}, {"Flags:", "flags"}} {
		replace = append(replace, h[0], r.Word("help.heading_"+h[1]))
	}
	return strings.NewReplacer(replace...).Replace(template)
}

// completionHelp says what the library's own command is for, and how a shell loads what it prints.
func completionHelp(c *cobra.Command) {
	c.Short, c.Long = "help.completion", "help.completion_more"
	loads := map[string]string{
		"bash": "source <(bayfill completion bash)", "zsh": "source <(bayfill completion zsh)", "fish": "bayfill completion fish | source",
		"powershell": "bayfill completion powershell | Out-String | Invoke-Expression",
	}
	for _, shell := range c.Commands() {
		shell.Short, shell.Long, shell.Example = "help.completion_shell", "help.completion_shell", "  "+loads[shell.Name()]
		if f := shell.Flags().Lookup("no-descriptions"); f != nil {
			f.Usage = "flag.no-descriptions"
		}
	}
}

func speakBelow(c *cobra.Command, r words.Reader) {
	c.InitDefaultHelpFlag()
	c.InitDefaultVersionFlag()
	c.Short, c.Long = inWords(c.Short, r), paragraphs(inWords(c.Long, r))
	c.Use, c.DisableFlagsInUseLine = strings.ReplaceAll(c.Use, "[command]", r.Word("help.a_command"))+" "+r.Word("help.flags"), true // every command has --help
	flag := func(f *pflag.Flag) {
		switch f.Name {
		case "help":
			f.Usage = "flag.help"
		case "version":
			f.Usage = "flag.version"
		}
		f.Usage = inWords(f.Usage, r)
	}
	c.Flags().VisitAll(flag)
	c.PersistentFlags().VisitAll(flag)
	for _, sub := range c.Commands() {
		speakBelow(sub, r)
	}
}

var helpKey = regexp.MustCompile(`\b(?:help|flag|explain)\.[a-z_-]+`)

// inWords puts sentences in the place of the keys of a text.
func inWords(text string, r words.Reader) string { return helpKey.ReplaceAllStringFunc(text, r.Word) }

// paragraphs breaks each paragraph into lines.
func paragraphs(text string) string {
	var out []string
	for _, p := range strings.Split(text, "\n\n") {
		lines := wrap.Lines(strings.Join(strings.Fields(p), " "), helpWidth)
		for i := range lines {
			lines[i] = strings.TrimSpace(lines[i])
		}
		out = append(out, strings.Join(lines, "\n"))
	}
	return strings.Join(out, "\n\n")
}

// firstWords is what bayfill alone says: what it is, and what to do first.
func firstWords(out io.Writer, r words.Reader) {
	for _, key := range []string{"help.what", "help.first_demo", "help.first_sim", "help.first_run", "help.first_help"} {
		fmt.Fprintln(out, r.Say(fillcalc.Text{Key: key, Names: names{"program": cmp.Or(invocation(), "bayfill")}}))
	}
}
