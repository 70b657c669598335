package chart

// curveColumns is the number of columns into which the time of a curve is divided.
// Each column keeps two points, so that no peak is lost and the size of a curve does
// not depend on the number of its values.
const curveColumns = 300

// Curve is a signal over time: the min and the max of each column.
type Curve struct {
	fromNs, toNs int64
	gapNs        int64
	lastNs       int64 // of the last known value; 0 before the first
	broken       bool  // an unknown value came after it
	columns      [curveColumns]column
}

type column struct {
	used         bool
	begins       bool // there is a gap before it
	minNs, maxNs int64
	min, max     float64
}

// NewCurve returns an empty curve of the values between two times. A time without a
// value that is longer than gapNs is a gap.
func NewCurve(fromNs, toNs, gapNs int64) *Curve {
	return &Curve{fromNs: fromNs, toNs: toNs, gapNs: gapNs}
}

// Add adds the next value in order of time. An unknown value makes a gap.
func (c *Curve) Add(atNs int64, v float64) {
	if !known(v) {
		c.broken = true
		return
	}
	begins := c.broken || c.lastNs == 0 || atNs-c.lastNs > c.gapNs
	c.lastNs, c.broken = atNs, false
	i := int(TimeAxis{c.fromNs, c.toNs, 0, curveColumns, nil}.X(atNs))
	col := &c.columns[min(i, curveColumns-1)]
	switch {
	case !col.used:
		*col = column{true, begins, atNs, atNs, v, v}
	case v < col.min:
		col.minNs, col.min = atNs, v
	case v > col.max:
		col.maxNs, col.max = atNs, v
	}
}

// Values returns the min and the max of each column that has a value.
func (c *Curve) Values() (values []float64) {
	for _, col := range c.columns {
		if col.used {
			values = append(values, col.min, col.max)
		}
	}
	return values
}

// Path draws the curve. A gap that begins and ends within one column is too short to
// be seen and is not drawn.
func (c *Curve) Path(t TimeAxis, a Axis) (p Path) {
	for i := range c.columns {
		col := &c.columns[i]
		if !col.used {
			continue
		}
		if col.begins {
			p.Break()
		}
		low := func() { p.Line(t.X(col.minNs), a.Y(col.min)) }
		high := func() { p.Line(t.X(col.maxNs), a.Y(col.max)) }
		switch {
		case col.minNs == col.maxNs:
			low()
		case col.minNs < col.maxNs:
			low()
			high()
		default:
			high()
			low()
		}
	}
	return p
}
