package audit

import (
	"fmt"
	"math"
	"strings"
)

// pictureMark is a text, and where it stands.
type pictureMark struct {
	X, Y float64
	Text string
}

// pictureScale is where values lie between top and bottom, and some round ones
// among them; where these stand beside is the picture's matter.
func pictureScale(values []float64, topY, bottomY float64, format string) (y func(float64) float64, ticks []pictureMark) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if isNumber(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	if !isNumber(high - low) {
		low, high = 0, 0
	}
	if high-low <= max(1e-9*math.Abs(low), 1e-200) {
		apart := max(1, math.Abs(low))
		low, high = low-apart, high+apart
	}
	each := math.Pow(10, math.Floor(math.Log10((high-low)/3)))
	for _, more := range []float64{5, 2} {
		if each*more <= (high-low)/3 {
			each *= more
			break
		}
	}
	from, to := math.Floor(low/each), math.Ceil(high/each)
	y = func(v float64) float64 {
		if !isNumber(v) {
			return bottomY
		}
		return min(bottomY, max(topY, bottomY-(bottomY-topY)*(v-from*each)/((to-from)*each)))
	}
	for n := from; n <= to; n++ {
		ticks = append(ticks, pictureMark{Y: y(n * each), Text: pictureFigure(format, n*each)})
	}
	return y, ticks
}

// pictureFigure formats a figure; a dash where it is not known.
func pictureFigure(format string, v float64) string {
	if !isNumber(v) {
		return "–"
	}
	return strings.ReplaceAll(fmt.Sprintf(format, v+0), "-", "−")
}
