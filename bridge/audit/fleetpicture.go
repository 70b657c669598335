package audit

import (
	"fmt"
	"slices"
	"time"
)

// fleetPicture is a control chart as it is drawn: individuals with their average
// above, moving ranges below, and how the level was judged, on one axis of
// successive jobs.
type fleetPicture struct {
	Title, Words string
	FromX        float64 // where the newest begin
	Bottom, Tall float64
	Limited      bool // there are enough values for limits and ranges
	Dates        []pictureMark

	Older             fleetPath // diamonds, one for each mean
	Ticks             []pictureMark
	Mean, LCL, UCL    pictureMark // names, moved apart
	MeanY, LCLY, UCLY float64
	Line              fleetPath
	Dots, Squares     fleetPath
	Rings             fleetPath // points that signal a run rule
	Codes             []pictureMark
	Average           fleetPath
	AverageLimits     [2]fleetPath
	AverageBeyond     fleetPath

	RangeTicks []pictureMark
	RangeUCL   pictureMark
	RangeLine  fleetPath
	RangeRings fleetPath

	Levels                      bool
	LevelY                      [3]float64
	InWindow, Outside, Unjudged fleetPath
}

// fleetPath is the data of an SVG path.
type fleetPath []byte

func (p fleetPath) String() string { return string(p) }

func (p *fleetPath) add(format string, figures ...any) { *p = fmt.Appendf(*p, format, figures...) }

func (p *fleetPath) line(x, y float64) {
	pen := "L"
	if len(*p) == 0 {
		pen = "M"
	}
	p.add("%s%.1f %.1f", pen, x, y)
}

func (p *fleetPath) dot(x, y float64)     { p.add("M%.1f %.1fh0", x, y) }
func (p *fleetPath) square(x, y float64)  { p.add("M%.1f %.1fh4v4h-4z", x-2, y-2) }
func (p *fleetPath) cross(x, y float64)   { p.add("M%.1f %.1fl6 6m0-6l-6 6", x-3, y-3) }
func (p *fleetPath) diamond(x, y float64) { p.add("M%.1f %.1fl-4 4 4 4 4-4z", x, y-4) }
func (p *fleetPath) ring(x, y float64) {
	p.add("M%.1f %.1fa4 4 0 1 0 8 0a4 4 0 1 0-8 0", x-4, y)
}

// Where things lie. Letters are 12 high.
const (
	chartLeftX, chartRightX   = 62.0, 612.0
	valuesTopY, valuesBottomY = 14.0, 164.0
	rangeTopY, rangeBottomY   = 186.0, 236.0
	letterWideX, letterTallY  = 8.0, 13.0
)

func newFleetPicture(title, format string, c *FleetChart, levels bool) fleetPicture {
	p := fleetPicture{Title: title, Words: c.words(), Levels: levels, Limited: c.Enough(), Bottom: valuesBottomY}
	older := float64(len(c.Older))
	if older > 0 {
		older++ // a gap
	}
	x := func(slot float64) float64 {
		return chartLeftX + (chartRightX-chartLeftX)*(slot+0.5)/(older+float64(len(c.Points)))
	}
	newestX := func(i int) float64 { return x(older + float64(i)) }
	p.FromX = x(older - 0.5)
	y := p.drawValues(c, format, newestX)
	for i, m := range c.Older {
		p.Older.diamond(x(float64(i)), y(m.X))
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

// drawValues draws the points with their limits and average, and returns where a
// value lies.
func (p *fleetPicture) drawValues(c *FleetChart, format string, x func(int) float64) (y func(float64) float64) {
	all := c.values()
	if p.Limited {
		lcl, ucl := c.EWMA.Limits()
		all = append(all, c.Limits.LCL, c.Limits.UCL, lcl, ucl)
	}
	for _, m := range c.Older {
		all = append(all, m.X)
	}
	y, p.Ticks = pictureScale(all, valuesTopY, valuesBottomY, format)
	limit := func(name string, v float64) (pictureMark, float64) {
		return pictureMark{chartRightX, y(v), name + " " + pictureFigure(format, v)}, y(v)
	}
	p.Mean, p.MeanY = limit("mean", c.Limits.Mean)
	p.LCL, p.LCLY = limit("LCL", c.Limits.LCL)
	p.UCL, p.UCLY = limit("UCL", c.Limits.UCL)
	// The names of the limits must not lie on that of the mean.
	p.UCL.Y, p.LCL.Y = min(p.UCLY, p.MeanY-letterTallY), max(p.LCLY, p.MeanY+letterTallY)

	var before *FleetPoint // the known one
	for i := range c.Points {
		point := &c.Points[i]
		if !isNumber(point.X) {
			continue
		}
		px, py := x(i), y(point.X)
		p.Line.line(px, py)
		if point.NoTarget {
			p.Squares.square(px, py)
		} else {
			p.Dots.dot(px, py)
		}
		p.drawSignal(point, before, c.Limits.Mean, px, py)
		if p.Limited {
			p.Average.line(px, y(point.Average.Z))
			p.AverageLimits[0].line(px, y(point.Average.LCL))
			p.AverageLimits[1].line(px, y(point.Average.UCL))
			switch {
			case point.Average.Beyond() == 0:
			case before != nil && before.Average.Beyond() != 0:
				p.AverageBeyond.line(px, y(point.Average.Z))
			default:
				p.AverageBeyond.dot(px, y(point.Average.Z))
			}
		}
		before = point
	}
	return y
}

// ruleCodes are what stands beside a point that begins to signal.
var ruleCodes = [...]struct {
	Rule Rule
	Code string
}{{OneBeyond3, "1"}, {TwoBeyond2, "2"}, {FourBeyond1, "3"}, {EightOneSide, "4"}}

func (p *fleetPicture) drawSignal(point, before *FleetPoint, mean, x, y float64) {
	signals, begins := false, ""
	for _, r := range ruleCodes {
		if !slices.Contains(point.Rules, r.Rule) {
			continue
		}
		signals = true
		if before == nil || !slices.Contains(before.Rules, r.Rule) {
			begins += r.Code
		}
	}
	if signals {
		p.Rings.ring(x, y)
	}
	n := len(p.Codes)
	if begins == "" || n > 0 && x-p.Codes[n-1].X < letterWideX*float64(len(begins)) {
		return
	}
	besideY := y - 7
	if point.X < mean {
		besideY = y + 16
	}
	p.Codes = append(p.Codes, pictureMark{x, besideY, begins})
}

func (p *fleetPicture) drawRanges(c *FleetChart, format string, x func(int) float64) {
	ranges := c.Limits.MovingRanges()
	y, ticks := pictureScale(append([]float64{0, c.Limits.RangeUCL}, ranges...), rangeTopY, rangeBottomY, format)
	p.RangeTicks = []pictureMark{ticks[0], ticks[len(ticks)-1]}
	p.RangeUCL = pictureMark{chartRightX, y(c.Limits.RangeUCL), "UCL " + pictureFigure(format, c.Limits.RangeUCL)}
	for i, r := range ranges {
		if !isNumber(r) {
			continue
		}
		p.RangeLine.line(x(i), y(r))
		if slices.Contains(c.Points[i].Rules, RangeBeyond) {
			p.RangeRings.ring(x(i), y(r))
		}
	}
}

func (p *fleetPicture) drawLevels(c *FleetChart, x func(int) float64) {
	p.LevelY = [3]float64{p.Bottom + 20, p.Bottom + 36, p.Bottom + 52}
	p.Bottom += 56
	for i, point := range c.Points {
		switch point.Level {
		case InWindow:
			p.InWindow.dot(x(i), p.LevelY[0])
		case Outside:
			p.Outside.cross(x(i), p.LevelY[1])
		case Unjudged:
			p.Unjudged.square(x(i), p.LevelY[2])
		}
	}
}

// pictureDates are a few dates along the axis, far enough apart to be read.
func pictureDates(c *FleetChart, older float64, x func(float64) float64, y float64) (dates []pictureMark) {
	const wideX = 80
	add := func(slot float64, ns int64) {
		if n := len(dates); n == 0 || x(slot)-dates[n-1].X >= wideX {
			dates = append(dates, pictureMark{x(slot), y, day(ns)})
		}
	}
	for i, m := range c.Older {
		if x(float64(i)) <= x(older)-wideX {
			add(float64(i), m.FromNs)
		}
	}
	for i, p := range c.Points {
		add(older+float64(i), p.AtNs)
	}
	return dates
}

// words say what the picture shows and what its points do not tell by themselves.
func (c *FleetChart) words() string {
	words := fmt.Sprintf("%d values. Drift: %s.", c.Limits.N, c.Drift.Words)
	jobs := int64(0)
	for _, m := range c.Older {
		jobs += m.Jobs
	}
	if jobs > 0 {
		each := time.Duration(c.Older[0].ToNs - c.Older[0].FromNs)
		words += fmt.Sprintf(" Left of the line, diamonds: means of %d older jobs, %d days each; they count for no limit and no rule.", jobs, int(each.Hours()/24))
	}
	if n := len(c.Signals()); n > 0 {
		words += fmt.Sprintf(" Points that signal: %d.", n)
	}
	return words
}
