package chart

import "fmt"

// Path is the data of an SVG path. The zero value is an empty path.
type Path struct {
	data    []byte
	drawing bool // the next point of the line continues it
}

// String returns the data for the attribute d.
func (p Path) String() string { return string(p.data) }

// Empty reports whether nothing has been added.
func (p Path) Empty() bool { return len(p.data) == 0 }

// Add appends path data in a format of package fmt. It ends the line.
func (p *Path) Add(format string, args ...any) {
	p.data = fmt.Appendf(p.data, format, args...)
	p.drawing = false
}

// Line continues the line to a point, or starts one there. A line of one point
// shows as a dot where line caps are round.
func (p *Path) Line(x, y float64) {
	if p.drawing {
		p.data = fmt.Appendf(p.data, "L%.1f %.1f", x, y)
		return
	}
	p.Dot(x, y)
	p.drawing = true
}

// Break ends the line: the next point starts a new one.
func (p *Path) Break() { p.drawing = false }

// Dot adds a point that shows where line caps are round.
func (p *Path) Dot(x, y float64) { p.Add("M%.1f %.1fh0", x, y) }

// Circle adds a circle around a point. Here and below r is half the width.
func (p *Path) Circle(x, y, r float64) {
	p.Add("M%.1f %.1fm%g 0a%g %g 0 1 0 %g 0a%g %g 0 1 0%g 0", x, y, -r, r, r, 2*r, r, r, -2*r)
}

// Square adds a square around a point.
func (p *Path) Square(x, y, r float64) {
	p.Add("M%.1f %.1fm%g%gh%gv%gh%gz", x, y, -r, -r, 2*r, 2*r, -2*r)
}

// Diamond adds a square that stands on a corner.
func (p *Path) Diamond(x, y, r float64) {
	p.Add("M%.1f %.1fm%g 0l%g%g %g %g%g %gz", x, y, -r, r, -r, r, r, -r, r)
}

// Triangle adds a triangle that stands on a side.
func (p *Path) Triangle(x, y, r float64) {
	p.Add("M%.1f %.1fm%g %gh%gl%g%gz", x, y, -r, r-1, 2*r, -r, 1-2*r)
}

// Cross adds two strokes that cross at a point.
func (p *Path) Cross(x, y, r float64) {
	p.Add("M%.1f %.1fm%g%gl%g %gm0%gl%g %g", x, y, -r, -r, 2*r, 2*r, -2*r, -2*r, 2*r)
}
