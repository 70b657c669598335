package audit

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayfill/fillcalc"
)

// curveColumns is into how many columns the time of a job is divided: a curve has
// two points in each at most, so that no peak is lost and memory does not grow
// with the job.
const curveColumns = 300

// curve is a signal over the time of a job: the least and the most of each column.
type curve struct {
	fromNs, toNs int64
	holeNs       int64 // longer without a value is a hole
	lastNs       int64
	broken       bool
	columns      [curveColumns]curveColumn
}

type curveColumn struct {
	holds        bool
	begins       bool // there is a hole before it
	minNs, maxNs int64
	min, max     float64
}

// add takes a value; one that is not a number makes a hole.
func (c *curve) add(atNs int64, v float64) {
	if !isNumber(v) {
		c.broken = true
		return
	}
	begins := c.broken || c.lastNs == 0 || atNs-c.lastNs > c.holeNs
	c.lastNs, c.broken = atNs, false
	i := int(float64(atNs-c.fromNs) / float64(max(1, c.toNs-c.fromNs)) * curveColumns)
	col := &c.columns[min(max(i, 0), curveColumns-1)]
	switch {
	case !col.holds:
		*col = curveColumn{true, begins, atNs, atNs, v, v}
	case v < col.min:
		col.minNs, col.min = atNs, v
	case v > col.max:
		col.maxNs, col.max = atNs, v
	}
}

// values are the least and the most of each column.
func (c *curve) values() (list []float64) {
	for _, col := range c.columns {
		if col.holds {
			list = append(list, col.min, col.max)
		}
	}
	return list
}

// path draws it; a hole ends a line.
func (c *curve) path(x func(int64) float64, y func(float64) float64) string {
	var b strings.Builder
	pen := "M"
	to := func(ns int64, v float64) {
		fmt.Fprintf(&b, "%s%.1f %.1f", pen, x(ns), y(v))
		if pen == "M" {
			b.WriteString("h0") // a point that stands alone shows
		}
		pen = "L"
	}
	for _, col := range c.columns {
		if !col.holds {
			continue
		}
		if col.begins {
			pen = "M"
		}
		switch {
		case col.minNs == col.maxNs:
			to(col.minNs, col.min)
		case col.minNs < col.maxNs:
			to(col.minNs, col.min)
			to(col.maxNs, col.max)
		default:
			to(col.maxNs, col.max)
			to(col.minNs, col.min)
		}
	}
	return b.String()
}

// stretch is a time in which something ran, and how much.
type stretch struct {
	fromNs, toNs int64
	litres       float64
}

// course is what is drawn of a job.
type course struct {
	fromNs, toNs int64
	scales       []fillcalc.ScaleSetup
	weights      []*curve // of each scale, kg as shown
	fluidC       *curve
	pours        [2][]stretch // drained, added
	open         []stretch    // the check window
}

// A pour begins and ends at these flows, and is no less than that in all; what is
// slower shows in the curve (common practice, no source).
const (
	pourBeginsLMin = 0.5
	pourEndsLMin   = 0.15
	leastPourL     = 0.02
)

// course folds the job again and notes what is drawn: values as they come, flows
// once a second.
func (r *Report) course() *course {
	c := &course{}
	if len(r.events) == 0 {
		return c
	}
	c.fromNs, c.toNs = r.events[0].AtNs, r.events[len(r.events)-1].AtNs
	c.scales = r.state.Setup.Scales
	for range c.scales {
		c.weights = append(c.weights, &curve{fromNs: c.fromNs, toNs: c.toNs, holeNs: scaleHoleNs})
	}
	c.fluidC = &curve{fromNs: c.fromNs, toNs: c.toNs, holeNs: probeHoleNs}
	probe, _ := windowProbe(&r.state.Setup)
	var s fillcalc.State
	sampledNs, open := int64(0), false
	var flows [2]flow
	for i := range r.events {
		e := &r.events[i]
		s = fillcalc.Apply(s, *e)
		for k := range c.scales {
			if e.Kind == fillcalc.KindWeight && e.Sensor == c.scales[k].Sensor {
				v := e.Value
				if e.Faults.Hidden() {
					v = math.NaN()
				}
				c.weights[k].add(e.AtNs, v)
			}
		}
		if e.Kind == fillcalc.KindTemperature && e.Sensor == probe.Sensor {
			c.fluidC.add(e.AtNs, s.CheckWindow().TempC)
		}
		if i < len(r.events)-1 && e.AtNs-sampledNs < 1e9 {
			continue
		}
		sampledNs = e.AtNs
		was := open
		w := s.CheckWindow().State
		if open = w == fillcalc.Open || w == fillcalc.Closing; open && !was {
			c.open = append(c.open, stretch{fromNs: e.AtNs})
		}
		if open || was {
			c.open[len(c.open)-1].toNs = e.AtNs
		}
		v := s.Volumes()
		flows[0].follow(&c.pours[0], e.AtNs, v.DrainedL, v.DrainedLMin, i == len(r.events)-1)
		flows[1].follow(&c.pours[1], e.AtNs, v.AddedL, v.AddedLMin, i == len(r.events)-1)
	}
	return c
}

// flow follows one volume, sample by sample.
type flow struct {
	lastL         float64
	quietNs       int64 // when it last rested, since a flow shows late
	quietL, fromL float64
	fromNs, endNs int64 // of the pour that runs or has just ended; 0: none
}

// pourRestNs is how long a flow rests before its pour has ended: what came last is
// counted a little later.
const pourRestNs = 4e9

func (f *flow) follow(pours *[]stretch, atNs int64, litres, litresMin float64, last bool) {
	if isNumber(litres) {
		f.lastL = litres
	}
	rests := !(litresMin > pourEndsLMin)
	switch {
	case f.fromNs == 0 && litresMin > pourBeginsLMin && f.quietNs != 0:
		f.fromNs, f.fromL, f.endNs = f.quietNs, f.quietL, 0
	case !rests:
		f.endNs = 0
	case f.endNs == 0:
		f.endNs = atNs
	}
	if rests && f.fromNs != 0 && (last || atNs-f.endNs >= pourRestNs) {
		if poured := f.lastL - f.fromL; poured >= leastPourL {
			*pours = append(*pours, stretch{f.fromNs, f.endNs, poured})
		}
		f.fromNs = 0
	}
	if rests && f.fromNs == 0 {
		f.quietNs, f.quietL = atNs, f.lastL
	}
}

// sheetChart is a chart as the sheet draws it. Paths are SVG's; letters are 11
// high.
type sheetChart struct {
	Title, Words  string
	Tall, BottomY float64 // of all; of the plot
	Ticks, Times  []pictureMark
	Phases        []pictureMark
	PhaseLines    string
	Curve         string

	Bars                          string // pours, or when the window was open
	BarNames                      []pictureMark
	Lanes                         []pictureMark // what stands in each row
	Drops                         string
	Fluid, Object, Swap, Lean, No string // steps, a shape for each kind
	Numbers                       []pictureMark

	BandY, BandTall float64
	Levels          string
	LevelNames      []pictureMark
}

// Where things lie.
const (
	sheetLeftX, sheetRightX = 44.0, 690.0
	sheetTopY               = 24.0
	sheetPlotTall           = 120.0
	sheetRowTall            = 15.0
	sheetLetterX            = 5.8 // about so wide is a letter
)

// charts draws the job: each scale with its pours and steps, then the fluid's
// temperature with the check window and the moment of the level's check.
func (r *Report) charts() (list []sheetChart) {
	c := r.course()
	if c.toNs == c.fromNs {
		return nil
	}
	s := &r.state
	for k, scale := range c.scales {
		chart, y := c.chart(fmt.Sprintf("Scale %s (%s): weight as shown, kg, and litres at %g °C", scale.Sensor, scale.Load, s.Job.ReferenceC), c.weights[k], s, "%.4g")
		if chart.Curve == "" {
			chart.Words = "No value was heard."
		}
		if scale.Load != fillcalc.SupplyLoad {
			c.bars(&chart, "out, L", c.pours[0])
		}
		if scale.Load != fillcalc.CaddyLoad {
			c.bars(&chart, "in, L", c.pours[1])
		}
		c.steps(&chart, s.Job.Steps, scale.Sensor, y)
		c.finish(&chart)
		list = append(list, chart)
	}
	if probe, role := windowProbe(&s.Setup); probe.Sensor != "" {
		low, high := s.Job.Spec.LowC, s.Job.Spec.HighC
		chart, y := c.chart(fmt.Sprintf("Temperature of the %s by probe %s, corrected, °C; the band is the check window, %g to %g °C", role, probe.Sensor, low, high), c.fluidC, s, "%.3g", low, high)
		if chart.Curve == "" {
			chart.Words = "No temperature was known."
		}
		chart.BandY, chart.BandTall = y(high), y(low)-y(high)
		c.bars(&chart, "open", c.open)
		c.levels(&chart, s.Job.Records, y)
		c.finish(&chart)
		list = append(list, chart)
	}
	return list
}

func (c *course) x(ns int64) float64 {
	return sheetLeftX + (sheetRightX-sheetLeftX)*float64(ns-c.fromNs)/float64(c.toNs-c.fromNs)
}

// chart begins one: the curve, its axes, and the phases.
func (c *course) chart(title string, of *curve, s *fillcalc.State, format string, reach ...float64) (chart sheetChart, y func(float64) float64) {
	chart = sheetChart{Title: title, BottomY: sheetTopY + sheetPlotTall}
	y, chart.Ticks = pictureScale(append(of.values(), reach...), sheetTopY, chart.BottomY, format)
	chart.Curve = of.path(c.x, y)
	var lines strings.Builder
	for i, p := range s.Job.Phases {
		from, to := c.x(p.AtNs), sheetRightX
		if i+1 < len(s.Job.Phases) {
			to = c.x(s.Job.Phases[i+1].AtNs)
		}
		fmt.Fprintf(&lines, "M%.1f 10V%.1f", from, chart.BottomY)
		name := fmt.Sprint(i+1, " ", p.Phase)
		if to-from < sheetLetterX*float64(len(name))+6 {
			name = fmt.Sprint(i + 1) // the table of phases says which
		}
		if to-from > sheetLetterX*float64(len(name)) {
			chart.Phases = append(chart.Phases, pictureMark{from + 3, 19, name})
		}
	}
	chart.PhaseLines = lines.String()
	chart.Tall = chart.BottomY + 8
	return chart, y
}

// bars adds a row of stretches, with their litres where there is room.
func (c *course) bars(chart *sheetChart, name string, list []stretch) {
	top := chart.Tall
	chart.Lanes = append(chart.Lanes, pictureMark{sheetLeftX - 4, top + 10, name})
	freeX := 0.0
	for _, s := range list {
		from, to := c.x(s.fromNs), math.Max(c.x(s.toNs), c.x(s.fromNs)+1)
		chart.Bars += fmt.Sprintf("M%.1f %.1fH%.1fv4H%.1fz", from, top+9, to, from)
		text := fmt.Sprintf("%.2f", s.litres)
		if wide := sheetLetterX * float64(len(text)); s.litres > 0 && from >= freeX {
			chart.BarNames = append(chart.BarNames, pictureMark{math.Min(from, sheetRightX-wide), top + 8, text})
			freeX = from + wide + 3
		}
	}
	chart.Tall += sheetRowTall
}

// mostStepRows is how many rows steps are spread over; with more at one time they
// lie on one another, and the table tells them apart.
const mostStepRows = 8

// steps adds those of one scale: number and shape in rows, a thin line to where
// the scale stood.
func (c *course) steps(chart *sheetChart, all []fillcalc.Step, sensor string, y func(float64) float64) {
	shapes := map[fillcalc.Decision]struct {
		to    *string
		shape string
	}{
		fillcalc.AsFluid:  {&chart.Fluid, "m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0"},
		fillcalc.AsObject: {&chart.Object, "m-4-4h8v8h-8z"},
		fillcalc.AsPan:    {&chart.Object, "m-4-4h8v8h-8z"},
		fillcalc.AsBefore: {&chart.Object, "m-4-4h8v8h-8z"},
		fillcalc.AsSwap:   {&chart.Swap, "m-5 0l5-5 5 5-5 5z"},
		fillcalc.AsLean:   {&chart.Lean, "m-5 4h10l-5-9z"},
		"":                {&chart.No, "m-4-4l8 8m0-8l-8 8"},
	}
	top := chart.Tall
	var freeX [mostStepRows]float64
	rows := 0
	for _, step := range all {
		if step.Sensor != sensor {
			continue
		}
		x, number := c.x(step.AtNs), fmt.Sprint(step.ID)
		row := slices.IndexFunc(freeX[:], func(free float64) bool { return x-6 >= free })
		if row < 0 {
			row = mostStepRows - 1
		}
		freeX[row] = x + 8 + sheetLetterX*float64(len(number))
		rows = max(rows, row+1)
		at := top + sheetRowTall*(float64(row)+0.5)
		chart.Drops += fmt.Sprintf("M%.1f %.1fV%.1f", x, y(step.FromKg+step.Kg), at-5)
		to := shapes[step.As]
		*to.to += fmt.Sprintf("M%.1f %.1f%s", x, at, to.shape)
		chart.Numbers = append(chart.Numbers, pictureMark{math.Min(x+7, sheetRightX), at + 4, number})
	}
	if rows > 0 {
		chart.Lanes = append(chart.Lanes, pictureMark{sheetLeftX - 4, top + 11, "steps"})
	}
	chart.Tall += sheetRowTall * float64(rows)
}

// levels marks when the level was judged, and how warm it then was.
func (c *course) levels(chart *sheetChart, records []fillcalc.Record, y func(float64) float64) {
	const wide = 120
	for _, r := range records {
		if r.Item != fillcalc.LevelAfter && r.Item != fillcalc.LevelBefore {
			continue
		}
		x, text, atY := c.x(r.AtNs), "level "+string(r.Result), sheetTopY
		if r.TempC != nil {
			text += fmt.Sprintf(", %.1f °C", *r.TempC)
			atY = y(*r.TempC)
			chart.Levels += fmt.Sprintf("M%.1f %.1fa4 4 0 1 0 8 0a4 4 0 1 0-8 0", x-4, atY)
		}
		chart.Levels += fmt.Sprintf("M%.1f %.1fV%.1f", x, sheetTopY, chart.BottomY)
		nameX, nameY := x+6, chart.BottomY-5
		if atY > (sheetTopY+chart.BottomY)/2 { // away from the curve
			nameY = sheetTopY + 12
		}
		if x > sheetRightX-wide {
			nameX = x - wide
		}
		chart.LevelNames = append(chart.LevelNames, pictureMark{nameX, nameY, text})
	}
}

// finish adds the axis of time.
func (c *course) finish(chart *sheetChart) {
	const most = 9
	each, layout := time.Hour, "15:04"
	whole := time.Duration(c.toNs - c.fromNs)
	for _, e := range []time.Duration{5 * time.Second, 10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour} {
		if each = e; whole/e < most {
			break
		}
	}
	for whole/each >= most {
		each *= 2
	}
	if each < time.Minute {
		layout = "15:04:05"
	}
	// Forged times may lie centuries apart: more than fits into the difference has no
	// axis, and no sum runs over.
	for ns := (c.fromNs/int64(each) + 1) * int64(each); whole > 0 && ns > c.fromNs && ns <= c.toNs; ns += int64(each) {
		x, text := c.x(ns), time.Unix(0, ns).UTC().Format(layout)
		if x <= sheetRightX-float64(len(text))*sheetLetterX/2 { // else its end would be cut off
			chart.Times = append(chart.Times, pictureMark{x, chart.Tall + 14, text})
		}
	}
	chart.Tall += 20
}

// Axis is the frame of the plot, with a tick for each time.
func (s *sheetChart) Axis() string {
	axis := fmt.Sprintf("M%.1f %.1fV%.1fH%.1f", sheetLeftX, sheetTopY, s.BottomY, sheetRightX)
	for _, t := range s.Times {
		axis += fmt.Sprintf("M%.1f %.1fv4", t.X, s.BottomY)
	}
	for _, t := range s.Ticks {
		axis += fmt.Sprintf("M%.1f %.1fh-4", sheetLeftX, t.Y)
	}
	return axis
}
