package audit

import (
	"cmp"
	"slices"
	"strings"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// notices folds the job again and lists what the program noticed, in order of time:
// alerts and remarks, troubles of the instruments, and starts of the program.
func (r *Report) notices(reader words.Reader) []SheetNotice {
	list := []SheetNotice{}
	for _, t := range r.state.Troubles() {
		said := fillcalc.Text{Key: "sheet.not_heard", Names: labels{"sensor": t.Sensor}}
		if !t.Silent() {
			said.Key, said.Names["frame"] = "sheet.frame_said", strings.Join(t.Faults.Names(), " ")
		}
		list = append(list, SheetNotice{SensorNotice, reader.Say(said), instant(t.FromNs), instant(t.ToNs)})
	}
	// A notice lasts as long as the fold names it. A remark has no name but its text.
	type name struct {
		kind NoticeKind
		id   string
	}
	var s fillcalc.State
	lasting := map[name]int{} // index in the list
	for i := range r.events {
		e := &r.events[i]
		s = fillcalc.Apply(s, *e)
		now := map[name]bool{}
		note := func(n name, text string) {
			now[n] = true
			if at, lasts := lasting[n]; lasts {
				list[at].Text = text // its figures may have changed
				return
			}
			lasting[n] = len(list)
			list = append(list, SheetNotice{Kind: n.kind, Text: text, From: instant(e.AtNs)})
		}
		for _, a := range s.Alerts() {
			note(name{AlertNotice, a.Kind()}, reader.Say(a.Text))
		}
		if e.Input != nil { // inputs include a tick a second: often enough for remarks
			for _, m := range s.Remarks() {
				text := reader.Say(m)
				note(name{RemarkNotice, text}, text)
			}
			if e.Input.Do == fillcalc.DoStart {
				list = append(list, SheetNotice{StartNotice, reader.Word("sheet.restart"), instant(e.AtNs), instant(e.AtNs)})
			}
		}
		for n, at := range lasting {
			if !now[n] && (n.kind != RemarkNotice || e.Input != nil) {
				list[at].To = instant(e.AtNs)
				delete(lasting, n)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b SheetNotice) int { return cmp.Compare(a.From, b.From) })
	return list
}
