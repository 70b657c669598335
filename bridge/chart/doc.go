// Package chart computes what a chart is drawn from: scales, ticks and the data of
// SVG paths. It knows nothing of jobs, scales or pages; the page that shows a chart
// places what this package returns and chooses the strokes.
//
// Positions are in the units of the SVG's viewBox: x grows to the right and y
// downwards, so that the high end of an [Axis] has the smaller y.
//
// In reading order:
//
//   - step.go: round steps, 1, 2 and 5 times a power of ten.
//   - axis.go: [Axis], values to y, with ticks; [Mark], a text at a position;
//     [Figure], a number as text.
//   - timeaxis.go: [TimeAxis], times to x, with ticks at round times of day.
//   - path.go: [Path], a line that breaks at gaps, and the shapes of points.
//   - curve.go: [Curve], a signal of any length as min and max per column.
//
// Every value may be NaN or infinite: such a value is unknown. It does not widen a
// scale, and it is drawn at the low end unless the caller leaves it out. No figure
// that an SVG cannot hold comes out, and ticks rise strictly from one end of the
// scale to the other.
//
// It starts no goroutine.
package chart
