package audit

import (
	"fmt"
	"slices"
	"unicode/utf8"

	"bayfill/bridge/chart"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// sheetPicture is one chart of the sheet: a curve with its phases, and rows of what
// happened below it, on one axis of time. Letters are 11 high.
type sheetPicture struct {
	Title, Words  string
	Tall, BottomY float64 // height of the picture; bottom of the plot
	Ticks, Times  []chart.Mark
	Phases        []chart.Mark
	PhaseLines    chart.Path
	Curve         chart.Path

	Bars     chart.Path // pours, or when the check window was open
	BarNames []chart.Mark
	Lanes    []chart.Mark // the name of each row
	Drops    chart.Path   // from a change up to the curve
	// Changes, a shape for each label.
	Fluid, Gone, Thing, Container, Bottle, Undecided chart.Path
	Numbers                                          []chart.Mark

	BandY, BandTall float64 // the check window
	Levels          chart.Path
	LevelNames      []chart.Mark
}

// The layout of a picture.
const (
	sheetLeftX, sheetRightX = 50.0, 690.0
	sheetTopY               = 24.0
	sheetPlotTall           = 120.0
	sheetRowTall            = 15.0
	sheetLetterX            = 5.8 // about the width of a letter
)

// pictures draws the job: each scale with its pours and changes, then the temperature
// of the fluid with the check window and the level checks.
func (r *Report) pictures(reader words.Reader) (list []sheetPicture) {
	c := r.course(reader)
	if c.toNs == c.fromNs {
		return nil
	}
	s := &r.state
	for k, scale := range c.scales {
		title := reader.Say(fillcalc.Text{Key: "chart.scale", Figures: figures{"reference": s.Job.ReferenceC}, Names: labels{"sensor": scale.Sensor, "role": string(scale.Load)}})
		p, y := c.plot(title, c.weights[k], s.Job.Phases, "%.4g")
		if p.Curve.Empty() {
			p.Words = reader.Word("chart.no_value")
		}
		if scale.Load != fillcalc.SupplyLoad {
			c.bars(&p, reader.Word("chart.out"), c.pours[0])
		}
		if scale.Load != fillcalc.CaddyLoad {
			c.bars(&p, reader.Word("chart.in"), c.pours[1])
		}
		c.changes(&p, s.Job.Changes, scale.Sensor, y)
		c.times(&p)
		list = append(list, p)
	}
	if probe, role := s.Setup.WindowProbe(); probe.Sensor != "" {
		low, high := s.Job.Spec.LowC, s.Job.Spec.HighC
		title := reader.Say(fillcalc.Text{Key: "chart.temperature", Figures: figures{"low": low, "high": high}, Names: labels{"sensor": probe.Sensor, "role": role}})
		p, y := c.plot(title, c.fluidC, s.Job.Phases, "%.3g", low, high)
		if p.Curve.Empty() {
			p.Words = reader.Word("chart.no_temperature")
		}
		p.BandY, p.BandTall = y.Y(high), y.Y(low)-y.Y(high)
		c.bars(&p, reader.Word("chart.open"), c.open)
		c.levels(&p, s.Job.Records, y)
		c.times(&p)
		list = append(list, p)
	}
	return list
}

func (c *course) axis() chart.TimeAxis {
	return chart.TimeAxis{FromNs: c.fromNs, ToNs: c.toNs, LeftX: sheetLeftX, RightX: sheetRightX, Zone: timesOf(c.reader).zone}
}

func (c *course) x(ns int64) float64 { return c.axis().X(ns) }

// plot starts a picture with the curve, its scale and the phases. The scale contains
// the curve and the values in also.
func (c *course) plot(title string, of *chart.Curve, phases []fillcalc.PhaseAt, format string, also ...float64) (p sheetPicture, y chart.Axis) {
	p = sheetPicture{Title: title, BottomY: sheetTopY + sheetPlotTall}
	y = chart.FitAxis(append(of.Values(), also...), p.BottomY, sheetTopY)
	p.Ticks = y.Ticks(format)
	p.Curve = of.Path(c.axis(), y)
	for i, phase := range phases {
		from, to := c.x(phase.AtNs), sheetRightX
		if i+1 < len(phases) {
			to = c.x(phases[i+1].AtNs)
		}
		p.PhaseLines.Add("M%.1f 10V%.1f", from, p.BottomY)
		name := fmt.Sprint(i+1, " ", c.reader.Word("phase."+string(phase.Phase)))
		if to-from < sheetLetterX*float64(utf8.RuneCountInString(name))+6 {
			name = fmt.Sprint(i + 1) // the table of phases says which
		}
		if to-from > sheetLetterX*float64(utf8.RuneCountInString(name)) {
			p.Phases = append(p.Phases, chart.Mark{X: from + 3, Y: 19, Text: name})
		}
	}
	p.Tall = p.BottomY + 8
	return p, y
}

// bars adds a row of stretches, with their litres where there is room.
func (c *course) bars(p *sheetPicture, name string, list []stretch) {
	top := p.Tall
	p.Lanes = append(p.Lanes, chart.Mark{X: sheetLeftX - 4, Y: top + 10, Text: name})
	freeX := 0.0
	for _, s := range list {
		from := c.x(s.fromNs)
		p.Bars.Add("M%.1f %.1fH%.1fv4H%.1fz", from, top+9, max(c.x(s.toNs), from+1), from)
		text := fmt.Sprintf("%.2f", s.litres)
		if width := sheetLetterX * float64(len(text)); s.litres > 0 && from >= freeX {
			p.BarNames = append(p.BarNames, chart.Mark{X: min(from, sheetRightX-width), Y: top + 8, Text: text})
			freeX = from + width + 3
		}
	}
	p.Tall += sheetRowTall
}

// maxChangeRows is the number of rows that the changes are spread over. When more changes
// than that come at about one time, they overlap; the table tells them apart.
const maxChangeRows = 8

// changes adds the changes of one scale: in rows, each with its number and shape and a
// thin line to where the scale stood.
func (c *course) changes(p *sheetPicture, all []fillcalc.Change, sensor string, y chart.Axis) {
	top := p.Tall
	var freeX [maxChangeRows]float64
	rows := 0
	for _, change := range all {
		if change.Sensor != sensor {
			continue
		}
		x, number := c.x(change.AtNs), fmt.Sprint(change.ID)
		row := slices.IndexFunc(freeX[:], func(free float64) bool { return x-6 >= free })
		if row < 0 {
			row = maxChangeRows - 1
		}
		freeX[row] = x + 8 + sheetLetterX*float64(len(number))
		rows = max(rows, row+1)
		atY := top + sheetRowTall*(float64(row)+0.5)
		p.Drops.Add("M%.1f %.1fV%.1f", x, y.Y(change.EndKg), atY-5)
		p.shape(change.As, x, atY)
		p.Numbers = append(p.Numbers, chart.Mark{X: min(x+7, sheetRightX), Y: atY + 4, Text: number})
	}
	if rows > 0 {
		p.Lanes = append(p.Lanes, chart.Mark{X: sheetLeftX - 4, Y: top + 11, Text: c.reader.Word("chart.changes")})
	}
	p.Tall += sheetRowTall * float64(rows)
}

// shape draws a change by its label, as the legend in sheet.html shows.
func (p *sheetPicture) shape(as fillcalc.Label, x, y float64) {
	switch as {
	case fillcalc.AsFluid:
		p.Fluid.Circle(x, y, 4)
	case fillcalc.AsGone:
		p.Gone.Circle(x, y, 4)
	case fillcalc.AsThing:
		p.Thing.Square(x, y, 4)
	case fillcalc.AsContainer:
		p.Container.Diamond(x, y, 5)
	case fillcalc.AsBottle:
		p.Bottle.Triangle(x, y, 5)
	default:
		p.Undecided.Cross(x, y, 4)
	}
}

// levels marks each level check with its result and, where it is known, the
// temperature at that moment.
func (c *course) levels(p *sheetPicture, records []fillcalc.Record, y chart.Axis) {
	const width = 120 // of the text, about
	for _, r := range records {
		if r.Item != fillcalc.LevelAfter && r.Item != fillcalc.LevelBefore {
			continue
		}
		x, text, atY := c.x(r.AtNs), c.reader.Say(fillcalc.Text{Key: "chart.level", Names: labels{"result": string(r.Result)}}), sheetTopY
		if r.TempC != nil {
			text += fmt.Sprintf(", %.1f °C", *r.TempC)
			atY = y.Y(*r.TempC)
			p.Levels.Circle(x, atY, 4)
		}
		p.Levels.Add("M%.1f %.1fV%.1f", x, sheetTopY, p.BottomY)
		name := chart.Mark{X: x + 6, Y: p.BottomY - 5, Text: text}
		if atY > (sheetTopY+p.BottomY)/2 { // away from the curve
			name.Y = sheetTopY + 12
		}
		if x > sheetRightX-width {
			name.X = x - width
		}
		p.LevelNames = append(p.LevelNames, name)
	}
}

// times adds the axis of time below everything else.
func (c *course) times(p *sheetPicture) {
	for _, tick := range c.axis().Ticks(9) {
		tick.Y = p.Tall + 14
		if tick.X <= sheetRightX-float64(len(tick.Text))*sheetLetterX/2 { // else its end would be cut off
			p.Times = append(p.Times, tick)
		}
	}
	p.Tall += 20
}

// Axes is the frame of the plot, with a stroke for each tick.
func (p *sheetPicture) Axes() (axes chart.Path) {
	axes.Add("M%.1f %.1fV%.1fH%.1f", sheetLeftX, sheetTopY, p.BottomY, sheetRightX)
	for _, t := range p.Times {
		axes.Add("M%.1f %.1fv4", t.X, p.BottomY)
	}
	for _, t := range p.Ticks {
		axes.Add("M%.1f %.1fh-4", sheetLeftX, t.Y)
	}
	return axes
}
