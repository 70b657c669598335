package board

import (
	"math"
	"slices"
	"unicode/utf8"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// picture is the one picture of a phase. Its template follows from its kind.
type picture struct {
	Kind    string // caddy, fill, warmth, trace, list, card, choose, dead
	Vessel  vessel
	Warmth  warmth
	Trace   trace
	Items   []item
	Verdict verdict
	Rows    []labelled
	// What the result card says on paper besides: all of the job's ticket.
	Paper         []labelled
	PaperCautions []string
	Offers        []answer
}

// verdict is what a job gets, with the reasons why that is not "passed".
type verdict struct {
	Outcome fillcalc.Outcome
	Text    string
	Reasons string // how many there are
	Why     []string
}

// vessel is a container and how full it is, drawn from its bottom to its top. A height of
// 0 leaves something out.
type vessel struct {
	FillY, FillTall float64
	Fill            string
	// The line: what usually comes out, or up to where to pour.
	LineY float64
	Line  string
	TextY float64 // of the line's text: above those at the bottom
	// The gap between fill and line that is still missing, or what stands above the line.
	GapY, GapTall   float64
	OverY, OverTall float64
	// The target above the first fill, or the caddy's rim.
	TopY float64
	Top  string
	Runs bool // fluid is running in
	Flow string
	Wide int // of the picture
}

// The inside of a vessel in the picture's own units.
const (
	vesselTopY, vesselBottomY = 24.0, 340.0
	textTall, flowY           = 40.0, 300.0
	runsLMin                  = 0.05 // less is no flow that anybody sees
	// The texts beside it begin at textX; a letter is at most so wide, on average.
	textX, letter, bigLetter = 340, 20, 27
	leastWide                = 620
	// overL is the least that is shown as too much: less is no wider than the line.
	overL = 0.02
)

// scale returns the height of a volume in a vessel that holds so many litres.
func scale(maxL float64) func(l float64) float64 {
	return func(l float64) float64 {
		return math.Round(vesselBottomY - (vesselBottomY-vesselTopY)*min(1, max(0, l/maxL)))
	}
}

// caddy shows what is in the caddy, up to where it usually comes, and what has room. What it
// holds is not always known: then it shows what came out.
func (s *screen) caddy(c *cart) picture {
	m := &c.volumes.message
	out, free, usual := float64(m.DrainedL), float64(m.CaddyFreeL), math.NaN()
	if d := c.job.message.ServiceData; d != nil {
		usual = float64(d.TypicalL)
	}
	p := picture{Kind: "caddy"}
	if math.IsNaN(out) {
		return picture{Kind: "dead"}
	}
	maxL := 1.2 * max(out, 1)
	if usual > out { // not when it is unknown
		maxL = 1.2 * max(usual, 1)
	}
	in, text := out, s.litres(out)
	switch holds := float64(c.about.message.CaddyHoldsL); {
	case holds > 0 && !math.IsNaN(free): // to scale, with what earlier jobs have left in it
		maxL, in = holds, max(0, holds-free)
		text = s.text("bay.caddy_line", map[string]float64{"in_l": in}, nil)
	case !math.IsNaN(free) && out+free < 2*maxL:
		maxL = out + free
	}
	y := scale(max(maxL, 0.5))
	v := &p.Vessel
	v.FillY, v.FillTall, v.Fill = y(in), vesselBottomY-y(in), text
	if lineY := y(in - out + usual); lineY-vesselTopY >= textTall { // else it has no room, which an alert says
		v.LineY, v.Line = lineY, s.text("bay.usual_line", map[string]float64{"usual_l": usual}, nil)
	}
	v.apart()
	if !math.IsNaN(free) {
		v.TopY, v.Top = vesselTopY, s.text("bay.room_line", map[string]float64{"free_l": free}, nil)
	}
	if flow := float64(m.DrainedLMin); flow > runsLMin {
		v.Runs, v.Flow = true, s.R.Units.FlowUnit().Text(flow)
	}
	v.widen(letter, v.Fill, v.Line, v.Top, v.Flow)
	return p
}

// fill shows what is in, the line up to which to pour, and the target above it.
func (s *screen) fill(c *cart) picture {
	m, j := &c.volumes.message, &c.job.message
	in := float64(m.AddedL)
	if math.IsNaN(in) || j.Plan == nil || j.Job != m.Job {
		return picture{Kind: "dead"}
	}
	line, target := float64(j.Plan.LineL), float64(j.Plan.TargetL)
	if math.IsNaN(line) {
		return picture{Kind: "dead"}
	}
	p := picture{Kind: "fill"}
	v := &p.Vessel
	y := scale(max(1.18*target, 1.02*in, 0.5))
	v.FillY, v.FillTall, v.Fill = y(in), vesselBottomY-y(in), s.text("bay.in_line", map[string]float64{"in_l": in}, nil)
	v.LineY, v.Line = y(line), s.text("bay.stop_line", map[string]float64{"line_l": line}, nil)
	if target > line+topUpL {
		v.TopY, v.Top = y(target), s.text("bay.target_line", map[string]float64{"target_l": target}, nil)
	}
	switch {
	case in < line:
		v.GapY, v.GapTall = v.LineY, v.FillY-v.LineY
	case in > line+overL:
		v.OverY, v.OverTall = v.FillY, v.LineY-v.FillY
	}
	if flow := float64(m.AddedLMin); flow > runsLMin {
		v.Runs, v.Flow = true, s.R.Units.FlowUnit().Text(flow)
	}
	v.apart()
	v.widen(letter, v.Top, v.Flow)
	v.widen(bigLetter, v.Fill, v.Line)
	return p
}

// widen gives the picture room for texts.
func (v *vessel) widen(letter int, texts ...string) {
	v.Wide = max(v.Wide, leastWide)
	for _, text := range texts {
		v.Wide = max(v.Wide, textX+letter*utf8.RuneCountInString(text))
	}
}

// apart moves the texts beside a vessel away from each other.
func (v *vessel) apart() {
	if v.Top != "" && v.LineY-v.TopY < textTall {
		v.TopY = max(vesselTopY, v.LineY-textTall)
	}
	v.TextY = min(v.LineY, flowY-textTall-12)
}

// item is a line of the checklist.
type item struct {
	Item, Label, State string
	Mark               string // done, none (not needed), bad (not done) or open
	done               string // the command that records it as done
	Opens              string // the dialog in which it is changed
}

// items lists the work of a phase with its state.
func (s *screen) items(c *cart, phase fillcalc.Phase) (list []item) {
	for _, name := range fillcalc.Items(phase) {
		i := item{Item: string(name), Label: s.R.Word("item." + string(name)), Mark: "open", State: s.word("bay.open_item"), Opens: "item-" + string(name)}
		fields := []set{{"item", name}, {"result", "done"}}
		if name == fillcalc.Seal {
			fields = append(fields, set{"count", 1})
		}
		i.done = command("record", fields...)
		if r := recorded(&c.job.message, name); r != nil {
			i.Mark, i.State = map[string]string{"done": "done", "not_needed": "none"}[r.Result], s.recordState(r)
			if i.Mark == "" {
				i.Mark = "bad"
			}
		}
		if name == fillcalc.Torque && i.Mark == "open" {
			i.Opens = "torque"
		} else {
			s.Dialogs = append(s.Dialogs, s.itemDialog(&i))
		}
		list = append(list, i)
	}
	// What is still to be done comes first: on a phone there is no room for all.
	slices.SortStableFunc(list, func(a, b item) int {
		switch open := a.Mark == "open"; {
		case open == (b.Mark == "open"):
			return 0
		case open:
			return -1
		}
		return 1
	})
	return list
}

// recordState says what was recorded, by whom and when.
func (s *screen) recordState(r *wire.JobRecord) string {
	text := s.R.Word("result." + r.Result)
	if r.AppliedNM > 0 {
		text = s.R.Units.Torque(r.AppliedNM)
	}
	if r.By != "" {
		text += ", " + r.By
	}
	return text + " " + s.R.Name("at", r.At)
}

// itemDialog changes one item. The earlier record stays on the job's record.
func (s *screen) itemDialog(i *item) dialog {
	d := dialog{ID: i.Opens, Title: i.Label, Texts: []string{i.State}}
	if i.Item != string(fillcalc.Torque) {
		d.Answers = append(d.Answers, answer{Label: s.R.Word("result.done"), Main: true, Commands: i.done})
	}
	for _, result := range []string{"not_needed", "not_done"} {
		d.Answers = append(d.Answers, answer{Label: s.R.Word("result." + result), Commands: command("record", set{"item", i.Item}, set{"result", result})})
	}
	return d
}

// weighsSupply reports whether a scale weighs the supply. Then bottles are not counted.
func (c *cart) weighsSupply() bool {
	return slices.ContainsFunc(c.about.message.Sensors, func(s wire.AboutSensor) bool { return s.Role == "supply" || s.Role == "caddy+supply" })
}
