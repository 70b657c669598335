package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/words"
)

// helpWordsCommand prints the glossary.
func helpWordsCommand() *cobra.Command {
	var o readerFlags
	cmd := &cobra.Command{
		Use:   "words [WORD]",
		Short: "help.words",
		Long:  "help.words_more",
		Example: `  bayfill help words
  bayfill help words "clear weighing"
  bayfill help words --lang es`,
		RunE: func(cmd *cobra.Command, args []string) error {
			r, err := o.reader("")
			if err != nil {
				return err
			}
			return printGlossary(cmd.OutOrStdout(), r, strings.Join(args, " "))
		},
	}
	o.add(cmd.Flags())
	return cmd
}

// explained reports whether the glossary has a word that begins with a text.
func explained(r words.Reader, text string) bool {
	for _, topic := range r.Glossary() {
		for _, t := range topic.Terms {
			if len(text) > 2 && strings.HasPrefix(strings.ToLower(t.Heading()), strings.ToLower(text)) {
				return true
			}
		}
	}
	return false
}

// printGlossary prints the terms whose word or code contains a text.
func printGlossary(out io.Writer, r words.Reader, about string) error {
	width, found := min(terminalWidth(out), 90), false
	about = strings.ToLower(about)
	for _, topic := range r.Glossary() {
		title := topic.Title
		for _, t := range topic.Terms {
			term := t.Heading()
			if !strings.Contains(strings.ToLower(term), about) {
				continue
			}
			if title != "" {
				if found {
					fmt.Fprintln(out)
				}
				fmt.Fprintln(out, strings.ToUpper(title))
				title, found = "", true
			}
			fmt.Fprintln(out)
			printWrapped(out, term, width)
			printWrapped(out, "  "+t.Means, width)
		}
	}
	if !found {
		return errors.New(r.Word("term.no_word"))
	}
	return nil
}
