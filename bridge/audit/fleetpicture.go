package audit

import (
	"slices"
	"time"

	"bayfill/bridge/chart"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// fleetPicture is a control chart as the report draws it: individuals with their
// average at the top, moving ranges below, and at the bottom how each level was
// judged. All share one axis of successive jobs. Letters are 12 high.
type fleetPicture struct {
	Title, Words string
	MeanWord     string
	FromX        float64 // where the newest jobs begin
	Bottom, Tall float64
	Limited      bool // there are enough values for limits and ranges
	Dates        []chart.Mark

	Older             chart.Path // a diamond for each mean
	Ticks             []chart.Mark
	Mean, LCL, UCL    chart.Mark // names, which do not overlap
	MeanY, LCLY, UCLY float64
	Line              chart.Path
	Dots, Squares     chart.Path
	Rings             chart.Path // points that signal a run rule
	Codes             []chart.Mark
	Average           chart.Path
	AverageLimits     [2]chart.Path
	AverageBeyond     chart.Path

	RangeTicks []chart.Mark
	RangeUCL   chart.Mark
	RangeLine  chart.Path
	RangeRings chart.Path

	Levels                      bool
	LevelY                      [3]float64
	InWindow, Outside, Unjudged chart.Path
}

// The layout of a picture.
const (
	fleetLeftX, fleetRightX   = 62.0, 612.0
	valuesTopY, valuesBottomY = 14.0, 164.0
	rangeTopY, rangeBottomY   = 186.0, 236.0
	letterWidth, lineHeight   = 8.0, 13.0
)

func newFleetPicture(r words.Reader, title, format string, c *FleetChart, levels bool) fleetPicture {
	p := fleetPicture{Title: title, Words: c.words(r), MeanWord: r.Word("fleet.mean"), Levels: levels, Limited: c.Enough(), Bottom: valuesBottomY}
	older := float64(len(c.Older))
	if older > 0 {
		older++ // a gap between the means and the points
	}
	x := func(slot float64) float64 {
		return fleetLeftX + (fleetRightX-fleetLeftX)*(slot+0.5)/(older+float64(len(c.Points)))
	}
	newestX := func(i int) float64 { return x(older + float64(i)) }
	p.FromX = x(older - 0.5)
	y := p.drawValues(c, format, newestX)
	for i, m := range c.Older {
		p.Older.Diamond(x(float64(i)), y.Y(m.X), 4)
	}
	if p.Limited {
		p.Bottom = rangeBottomY
		p.drawRanges(c, format, newestX)
	}
	if levels {
		p.drawLevels(c, newestX)
	}
	p.Tall = p.Bottom + 22
	p.Dates = pictureDates(c, older, x, p.Bottom+16)
	return p
}

// drawValues draws the points with their limits and average, and returns the scale of
// the values.
func (p *fleetPicture) drawValues(c *FleetChart, format string, x func(int) float64) (y chart.Axis) {
	all := c.values()
	if p.Limited {
		lcl, ucl := c.EWMA.Limits()
		all = append(all, c.Limits.LCL, c.Limits.UCL, lcl, ucl)
	}
	for _, m := range c.Older {
		all = append(all, m.X)
	}
	y = chart.FitAxis(all, valuesBottomY, valuesTopY)
	p.Ticks = y.Ticks(format)
	limit := func(name string, v float64) (chart.Mark, float64) {
		return chart.Mark{X: fleetRightX, Y: y.Y(v), Text: name + " " + chart.Figure(format, v)}, y.Y(v)
	}
	p.Mean, p.MeanY = limit(p.MeanWord, c.Limits.Mean)
	p.LCL, p.LCLY = limit("LCL", c.Limits.LCL)
	p.UCL, p.UCLY = limit("UCL", c.Limits.UCL)
	// The names of the limits must not overlap that of the mean.
	p.UCL.Y, p.LCL.Y = min(p.UCLY, p.MeanY-lineHeight), max(p.LCLY, p.MeanY+lineHeight)

	var before *FleetPoint // the last known one
	for i := range c.Points {
		point := &c.Points[i]
		if !isNumber(point.X) {
			continue
		}
		px, py := x(i), y.Y(point.X)
		p.Line.Line(px, py)
		if point.NoTarget {
			p.Squares.Square(px, py, 2)
		} else {
			p.Dots.Dot(px, py)
		}
		p.drawSignal(point, before, c.Limits.Mean, px, py)
		if p.Limited {
			p.Average.Line(px, y.Y(point.Average.Z))
			p.AverageLimits[0].Line(px, y.Y(point.Average.LCL))
			p.AverageLimits[1].Line(px, y.Y(point.Average.UCL))
			if point.Average.Beyond() == 0 {
				p.AverageBeyond.Break()
			} else {
				p.AverageBeyond.Line(px, y.Y(point.Average.Z))
			}
		}
		before = point
	}
	return y
}

// ruleCodes are the digits beside a point where a rule starts to signal.
var ruleCodes = [...]struct {
	Rule Rule
	Code string
}{{OneBeyond3, "1"}, {TwoBeyond2, "2"}, {FourBeyond1, "3"}, {EightOneSide, "4"}}

// drawSignal adds a ring around a point that signals a run rule, and the digits of the
// rules that start to signal there, if there is room.
func (p *fleetPicture) drawSignal(point, before *FleetPoint, mean, x, y float64) {
	signals, codes := false, ""
	for _, r := range ruleCodes {
		if !slices.Contains(point.Rules, r.Rule) {
			continue
		}
		signals = true
		if before == nil || !slices.Contains(before.Rules, r.Rule) {
			codes += r.Code
		}
	}
	if signals {
		p.Rings.Circle(x, y, 4)
	}
	n := len(p.Codes)
	if codes == "" || n > 0 && x-p.Codes[n-1].X < letterWidth*float64(len(codes)) {
		return
	}
	codeY := y - 7
	if point.X < mean {
		codeY = y + 16
	}
	p.Codes = append(p.Codes, chart.Mark{X: x, Y: codeY, Text: codes})
}

func (p *fleetPicture) drawRanges(c *FleetChart, format string, x func(int) float64) {
	ranges := c.Limits.MovingRanges()
	y := chart.FitAxis(append([]float64{0, c.Limits.RangeUCL}, ranges...), rangeBottomY, rangeTopY)
	ticks := y.Ticks(format)
	p.RangeTicks = []chart.Mark{ticks[0], ticks[len(ticks)-1]}
	p.RangeUCL = chart.Mark{X: fleetRightX, Y: y.Y(c.Limits.RangeUCL), Text: "UCL " + chart.Figure(format, c.Limits.RangeUCL)}
	for i, r := range ranges {
		if !isNumber(r) {
			continue
		}
		p.RangeLine.Line(x(i), y.Y(r))
		if slices.Contains(c.Points[i].Rules, RangeBeyond) {
			p.RangeRings.Circle(x(i), y.Y(r), 4)
		}
	}
}

func (p *fleetPicture) drawLevels(c *FleetChart, x func(int) float64) {
	p.LevelY = [3]float64{p.Bottom + 20, p.Bottom + 36, p.Bottom + 52}
	p.Bottom += 56
	for i, point := range c.Points {
		switch point.Level {
		case InWindow:
			p.InWindow.Dot(x(i), p.LevelY[0])
		case Outside:
			p.Outside.Cross(x(i), p.LevelY[1], 3)
		case Unjudged:
			p.Unjudged.Square(x(i), p.LevelY[2], 2)
		}
	}
}

// pictureDates returns a few dates along the axis, far enough apart to be read.
func pictureDates(c *FleetChart, older float64, x func(float64) float64, y float64) (dates []chart.Mark) {
	const minDistance = 80
	add := func(slot float64, ns int64) {
		if n := len(dates); n == 0 || x(slot)-dates[n-1].X >= minDistance {
			dates = append(dates, chart.Mark{X: x(slot), Y: y, Text: day(ns)})
		}
	}
	for i, m := range c.Older {
		if x(float64(i)) <= x(older)-minDistance {
			add(float64(i), m.FromNs)
		}
	}
	for i, p := range c.Points {
		add(older+float64(i), p.AtNs)
	}
	return dates
}

// words returns the caption: counts, drift, and what the diamonds are.
func (c *FleetChart) words(r words.Reader) string {
	say := func(key string, f figures, n labels) string {
		return r.Say(fillcalc.Text{Key: key, Figures: f, Names: n})
	}
	text := say("fleet.values", figures{"count": float64(c.Limits.N)}, labels{"drift": r.Say(c.Drift.Says)})
	jobs := int64(0)
	for _, m := range c.Older {
		jobs += m.Jobs
	}
	if jobs > 0 {
		each := time.Duration(c.Older[0].ToNs - c.Older[0].FromNs)
		text += " " + say("fleet.older", figures{"jobs": float64(jobs), "days": float64(int(each.Hours() / 24))}, nil)
	}
	if n := len(c.Signals()); n > 0 {
		text += " " + say("fleet.signals", figures{"count": float64(n)}, nil)
	}
	return text
}
