package board

import (
	"encoding/json"
	"fmt"
	"strings"
)

// answer is one of the few buttons of a page. It sends commands, or opens a dialog.
type answer struct {
	Number       int // the key that presses it
	Label, Small string
	Main         bool
	Commands     string // JSON: one command, or a list of commands that are sent in their order
	With         string // names of the entries of its dialog that become fields of the command, separated by spaces
	EveryS       int    // its commands are sent so many seconds apart: a sequence that the hand follows; 0: at once
	Opens        string // the dialog that it opens
	Print        bool   // prints the page
}

// dialog asks for what a button needs: an amount, a reason, a choice.
type dialog struct {
	ID, Title string
	Texts     []string // paragraphs
	Entries   []entry
	Rows      []row
	Answers   []answer
}

// row is a line of a dialog with answers of its own.
type row struct {
	Text    string
	Answers []answer
}

// entry is an input field. A button sends its text as the command's field Name.
type entry struct {
	ID      string // of the element; typed text is kept by it when the page's pieces are replaced
	Name    string
	Label   string
	Unit    string // shown beside the field, and sent with a bare number
	Value   string // initial text
	Figure  bool   // the screen's keyboard shows digits
	Keep    bool   // the browser remembers what was typed last
	Needed  bool   // the browser sends nothing without it
	Choices []choice
}

// choice is a value to choose.
type choice struct{ Value, Label string }

// set is a field of a command and its value; an empty text or nil leaves it out.
type set struct {
	field string
	value any
}

// command writes a command with these fields.
func command(do string, fields ...set) string {
	text := fmt.Appendf(nil, `{"do":%q`, do)
	for _, f := range fields {
		value, _ := json.Marshal(f.value)                                      // texts, figures and pointers to such: it cannot fail
		if v := string(value); v != `""` && v != "null" || f.field == "gear" { // without a gear none is engaged any more
			text = fmt.Appendf(text, `,%q:%s`, f.field, v)
		}
	}
	return string(append(text, '}'))
}

// inOrder joins commands that one press sends.
func inOrder(commands ...string) string { return "[" + strings.Join(commands, ",") + "]" }

// answer adds a button that sends commands; small says what else it means.
func (s *screen) answer(key, small string, commands ...string) *answer {
	a := answer{Label: s.word(key), Small: small, Commands: commands[0]}
	if len(commands) > 1 {
		a.Commands = inOrder(commands...)
	}
	s.Answers = append(s.Answers, a)
	return &s.Answers[len(s.Answers)-1]
}

// main adds the button that most often comes next.
func (s *screen) main(key, small string, commands ...string) {
	s.answer(key, small, commands...).Main = true
}

// opens adds a button that opens a dialog.
func (s *screen) opens(key, small string, d dialog) {
	d.Title = s.word(key)
	s.Answers = append(s.Answers, answer{Label: d.Title, Small: small, Opens: d.ID})
	s.Dialogs = append(s.Dialogs, d)
}
