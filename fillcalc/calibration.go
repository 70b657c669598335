package fillcalc

import (
	"fmt"
	"math"
)

const (
	nsPerYear = 365.25 * 24 * 3600 * 1e9
	// Relative standard uncertainty that a slope gains per year of age (common
	// practice, no source).
	driftUPerYear = 0.0002
	// Standard uncertainty of a probe's slope if the probe was calibrated at one
	// temperature only: the rectangle ±0.005 that IEC 60751:2008 class B allows.
	oneSlopeU = 0.005 / 1.7320508075688772 // √3
	// Further than this from 1, a slope is not due to ageing.
	slopeLimit = 0.1
	// A slope with a larger relative standard uncertainty would make a scale worse
	// (common practice, no source): 25 mL in 5 L.
	maxSlopeU = 0.005
	// Rounding may put an error that is exactly at its limit just above it.
	microgramKg, microkelvinC = 1e-9, 1e-6
	// More than any scale here carries; keeps infinities out.
	maxKg = 1e6
)

// ScaleCalibration is the result of calibrating a scale against known weights: the
// slope of a straight line by least squares through the corrections (known less
// shown), as for the thermometer of GUM H.3. The zero does not matter, because a
// tally is a sum of differences.
//
// The slope corrects what the scale shows. Its uncertainty replaces that of the
// setup, ScaleSetup.GainU. The start event and the event that opens a job carry the
// calibrations, so that an audit uses those of the day.
type ScaleCalibration struct {
	AtNs  int64 `json:"at_ns"`
	DueNs int64 `json:"due_ns"`
	// Slope is kg on the scale for each kg shown, in conventional mass
	// (OIML D 28:2004), as [BuoyancyFactor] expects.
	Slope float64 `json:"slope"`
	// SlopeU is the relative standard uncertainty of the slope at AtNs.
	SlopeU float64 `json:"slope_u"`
	// DriftUPerYear is what each year of age adds to it; 0 means 0.0002.
	DriftUPerYear float64 `json:"drift_u_per_year"`
	// WorstKg is the largest absolute error that the slope leaves. LightestKg is the
	// lightest of the weights, the empty scale apart.
	WorstKg    float64 `json:"worst_kg"`
	LightestKg float64 `json:"lightest_kg"`
	// Passed says that every error as shown lay within the tolerance of a scale in
	// service: twice the class III errors of OIML R 76-1.
	Passed bool `json:"passed"`
}

// GainU returns the relative standard uncertainty of the slope at a time: that of
// the calibration and what age has added since. After a failed calibration it
// includes the errors that the slope does not remove, as a rectangle ±WorstKg
// relative to the lightest weight, which covers every amount from there up.
func (c ScaleCalibration) GainU(nowNs int64) float64 {
	drift := c.DriftUPerYear
	if drift == 0 {
		drift = driftUPerYear
	}
	aged := drift * math.Max(0, float64(nowNs-c.AtNs)/nsPerYear)
	u2 := float64(c.SlopeU*c.SlopeU) + float64(aged*aged)
	if !c.Passed {
		left := c.WorstKg / c.LightestKg
		u2 += float64(left*left) / 3
	}
	return math.Sqrt(u2)
}

// Overdue reports whether the next calibration is overdue.
func (c ScaleCalibration) Overdue(nowNs int64) bool { return nowNs > c.DueNs }

// Check returns an error that names the first field whose value cannot be used.
func (c ScaleCalibration) Check() error {
	switch {
	case !(math.Abs(c.Slope-1) <= slopeLimit):
		return fmt.Errorf("slope: %g is not within a tenth of 1", c.Slope)
	case !(c.SlopeU >= 0 && c.SlopeU < 1):
		return fmt.Errorf("slope_u: %g is not from 0 to 1", c.SlopeU)
	case !(c.DriftUPerYear >= 0 && c.DriftUPerYear < 1):
		return fmt.Errorf("drift_u_per_year: %g is not from 0 to 1", c.DriftUPerYear)
	case !(c.WorstKg >= 0 && c.WorstKg <= maxKg):
		return fmt.Errorf("worst_kg: %g is not a weight from 0 up", c.WorstKg)
	case !(c.LightestKg > 0 && c.LightestKg <= maxKg):
		return fmt.Errorf("lightest_kg: %g is not a weight above 0", c.LightestKg)
	}
	return nil
}

// ScalePoint is a known load, 0 for none, and what the scale shows for it.
type ScalePoint struct {
	KnownKg float64 `json:"known_kg"`
	ShownKg float64 `json:"shown_kg"`
}

// ScaleResult is a point of a calibration and its errors.
type ScaleResult struct {
	ScalePoint
	ErrorKg float64 `json:"error_kg"` // shown, less zero and known weight
	LeftKg  float64 `json:"left_kg"`  // the error that zero and slope leave
	// Maximum permissible errors of class III in kg, on initial verification and in
	// service.
	InitialKg float64 `json:"initial_kg"`
	ServiceKg float64 `json:"service_kg"`
}

// Within reports whether a point's error lies within a tolerance in kg.
func (r ScaleResult) Within(limitKg float64) bool {
	return math.Abs(r.ErrorKg) <= limitKg+microgramKg
}

// ScaleFit is a calibration of a scale and what it rests on.
type ScaleFit struct {
	ScaleCalibration
	ZeroKg    float64       `json:"zero_kg"`    // shown with no weight on, or only with what always stands there
	ScatterKg float64       `json:"scatter_kg"` // standard deviation of one point about the line
	Points    []ScaleResult `json:"points"`
}

// FitScale fits a scale's slope. It needs at least a point with no weight on and
// one with a known weight. Each point is assumed to scatter by at least the
// scale's display step and repeatability, since a few rounded figures can lie on
// a line by chance, and two always do. weightsU is the relative standard
// uncertainty of the weights. Weights of one set are fully correlated, so that it
// adds to the uncertainty of the slope in full (GUM 5.2.2, r = 1). The error names
// the point, or is a [Refusal] of all.
func FitScale(points []ScalePoint, scale ScaleSetup, weightsU float64, atNs, dueNs int64) (ScaleFit, error) {
	fit := ScaleFit{ScaleCalibration: ScaleCalibration{
		AtNs: atNs, DueNs: dueNs, DriftUPerYear: driftUPerYear, LightestKg: math.Inf(1), Passed: true,
	}}
	if !(scale.ResolutionKg > 0) || !(scale.RepeatabilityKg >= 0) || !(weightsU >= 0 && weightsU < 0.1) {
		return ScaleFit{}, fmt.Errorf("resolution_kg %g must be above 0, repeatability_kg %g not below, the weights' uncertainty %g from 0 to 0.1",
			scale.ResolutionKg, scale.RepeatabilityKg, weightsU)
	}
	ownU := math.Sqrt(float64(scale.ResolutionKg*scale.ResolutionKg)/12 + float64(scale.RepeatabilityKg*scale.RepeatabilityKg))
	corrections := make([]linePoint, len(points))
	heaviest, zeros := ScalePoint{}, 0.0
	for i, p := range points {
		if !(p.KnownKg >= 0 && p.KnownKg <= maxKg) || !(math.Abs(p.ShownKg) <= maxKg) {
			return ScaleFit{}, fmt.Errorf("point %d: known %g kg and shown %g kg are no weights", i+1, p.KnownKg, p.ShownKg)
		}
		corrections[i] = linePoint{x: p.ShownKg, y: p.KnownKg - p.ShownKg, u: ownU}
		if p.KnownKg == 0 {
			fit.ZeroKg += p.ShownKg
			zeros++
			continue
		}
		fit.LightestKg = math.Min(fit.LightestKg, p.KnownKg)
		if p.KnownKg > heaviest.KnownKg {
			heaviest = p
		}
	}
	if zeros == 0 || heaviest.KnownKg == 0 {
		return ScaleFit{}, refused("points", "calibrate.need_weights", nil, nil)
	}
	fit.ZeroKg /= zeros
	l := fitLine(corrections)
	fit.Slope = 1 + l.slope
	if !(math.Abs(l.slope) <= slopeLimit) {
		return ScaleFit{}, refused("points", "calibrate.scale_far", figures{"known_kg": heaviest.KnownKg, "shown_kg": heaviest.ShownKg - fit.ZeroKg}, nil)
	}
	fit.ScatterKg = math.Max(l.scatter, ownU)
	own := l.slopeU / fit.Slope
	fit.SlopeU = math.Sqrt(float64(own*own) + float64(weightsU*weightsU))
	if !(fit.SlopeU <= maxSlopeU) {
		return ScaleFit{}, refused("points", "calibrate.slope_unsure", figures{"u_pct": 200 * fit.SlopeU}, nil)
	}
	for _, p := range points {
		r := ScaleResult{
			ScalePoint: p,
			ErrorKg:    p.ShownKg - fit.ZeroKg - p.KnownKg,
			LeftKg:     p.ShownKg + l.at(p.ShownKg) - p.KnownKg,
			InitialKg:  MPEClassIIIKg(p.KnownKg, scale.ResolutionKg),
		}
		r.ServiceKg = 2 * r.InitialKg
		fit.WorstKg = math.Max(fit.WorstKg, math.Abs(r.LeftKg))
		fit.Passed = fit.Passed && r.Within(r.ServiceKg)
		fit.Points = append(fit.Points, r)
	}
	return fit, nil
}

// MPEClassIIIKg returns the maximum permissible error in kg of a new scale of
// class III at a net load, from its verification interval e: OIML R 76-1:2006,
// Table 6. In service it is twice that (3.5.2). The table ends at 10 000 e; beyond
// that its last row is used.
func MPEClassIIIKg(loadKg, eKg float64) (kg float64) {
	switch {
	case loadKg <= 500*eKg:
		return 0.5 * eKg
	case loadKg <= 2000*eKg:
		return eKg
	}
	return 1.5 * eKg
}

// ProbeCalibration is the result of calibrating a temperature probe: a straight line
// that corrects what the probe shows. See [FitProbe].
type ProbeCalibration struct {
	AtNs    int64   `json:"at_ns"`
	DueNs   int64   `json:"due_ns"`
	OffsetC float64 `json:"offset_c"` // the temperature in °C when the probe shows 0
	Gain    float64 `json:"gain"`
	// U is the standard uncertainty in °C of a corrected temperature at BestC, where
	// it is smallest. Away from there GainU, the uncertainty of the gain, adds to it.
	U     float64 `json:"u"`
	BestC float64 `json:"best_c"`
	GainU float64 `json:"gain_u"`
	// Passed says that every error as shown lay within IEC 60751:2008 class B.
	Passed bool `json:"passed"`
}

// Correct returns the temperature in °C for what the probe shows.
func (c ProbeCalibration) Correct(celsius float64) float64 {
	return c.OffsetC + float64(c.Gain*celsius)
}

// UAt returns the standard uncertainty in °C of a corrected temperature.
func (c ProbeCalibration) UAt(celsius float64) float64 {
	away := c.GainU * (celsius - c.BestC)
	return math.Sqrt(float64(c.U*c.U) + float64(away*away))
}

// Overdue reports whether the next calibration is overdue.
func (c ProbeCalibration) Overdue(nowNs int64) bool { return nowNs > c.DueNs }

// Check returns an error that names the first field whose value cannot be used.
func (c ProbeCalibration) Check() error {
	switch {
	case !(math.Abs(c.Gain-1) <= slopeLimit):
		return fmt.Errorf("gain: %g is not within a tenth of 1", c.Gain)
	case !(math.Abs(c.OffsetC) <= 100):
		return fmt.Errorf("offset_c: %g is not from -100 to 100", c.OffsetC)
	case !(c.U >= 0 && c.U <= 100) || !(c.GainU >= 0 && c.GainU < 1):
		return fmt.Errorf("u and gain_u: %g and %g are not from 0 to 100 and from 0 to 1", c.U, c.GainU)
	case !(math.Abs(c.BestC) <= 1e4):
		return fmt.Errorf("best_c: %g is no temperature", c.BestC)
	}
	return nil
}

// ProbePoint is a known temperature, what the probe shows there, and the
// standard uncertainty of the comparison, all in °C.
type ProbePoint struct {
	KnownC float64 `json:"known_c"`
	ShownC float64 `json:"shown_c"`
	UC     float64 `json:"u_c"`
}

// ProbeResult is a point of a calibration and its errors.
type ProbeResult struct {
	ProbePoint
	ErrorC float64 `json:"error_c"` // shown less known
	LeftC  float64 `json:"left_c"`  // the error that the correction leaves
	LimitC float64 `json:"limit_c"` // the tolerance
}

// Within reports whether a point's error lies within its tolerance.
func (r ProbeResult) Within() bool { return math.Abs(r.ErrorC) <= r.LimitC+microkelvinC }

// ProbeFit is a calibration of a probe and what it rests on.
type ProbeFit struct {
	ProbeCalibration
	ScatterC float64       `json:"scatter_c"` // standard deviation of the points about the line; 0 for one or two
	Points   []ProbeResult `json:"points"`
}

// FitProbe fits a probe's correction: an offset from one point, a line from more.
// The tolerance is that of IEC 60751:2008 class B, ±(0.3 + 0.005·|t|) °C; to apply
// it to every kind of probe is common practice, no source. The error names the
// point, or is a [Refusal] of all.
func FitProbe(points []ProbePoint, atNs, dueNs int64) (ProbeFit, error) {
	fit := ProbeFit{ProbeCalibration: ProbeCalibration{AtNs: atNs, DueNs: dueNs, Passed: true}}
	if len(points) == 0 {
		return ProbeFit{}, refused("points", "calibrate.need_temperature", nil, nil)
	}
	corrections := make([]linePoint, len(points))
	minU := math.Inf(1)
	for i, p := range points {
		if !(math.Abs(p.KnownC) <= 1e4 && math.Abs(p.ShownC) <= 1e4) || !(p.UC >= 0 && p.UC <= 100) {
			return ProbeFit{}, fmt.Errorf("point %d: known %g °C, shown %g °C, uncertainty %g °C are no temperatures", i+1, p.KnownC, p.ShownC, p.UC)
		}
		corrections[i] = linePoint{x: p.ShownC, y: p.KnownC - p.ShownC, u: p.UC}
		minU = math.Min(minU, p.UC)
	}
	l := line{meanX: points[0].ShownC, meanY: corrections[0].y, bestX: points[0].ShownC, u: points[0].UC, slopeU: oneSlopeU}
	if len(points) > 1 {
		l = fitLine(corrections)
	}
	switch {
	case !(l.slopeU <= 0.02): // also when all are at one temperature
		return ProbeFit{}, refused("points", "calibrate.too_close", nil, nil)
	case !(math.Abs(l.slope) <= slopeLimit):
		return ProbeFit{}, refused("points", "calibrate.probe_slope", figures{"slope": 1 + l.slope}, nil)
	case !(math.Abs(l.at(0)) <= 100):
		return ProbeFit{}, refused("points", "calibrate.probe_far", figures{"known_c": points[0].KnownC, "shown_c": points[0].ShownC}, nil)
	}
	fit.OffsetC, fit.Gain = l.at(0), 1+l.slope
	// A reference does not become better by being used often.
	fit.U, fit.BestC, fit.GainU = math.Max(l.u, minU), l.bestX, l.slopeU
	fit.ScatterC = l.scatter
	for _, p := range points {
		r := ProbeResult{
			ProbePoint: p,
			ErrorC:     p.ShownC - p.KnownC,
			LeftC:      fit.Correct(p.ShownC) - p.KnownC,
			LimitC:     0.3 + float64(0.005*math.Abs(p.KnownC)),
		}
		fit.Passed = fit.Passed && r.Within()
		fit.Points = append(fit.Points, r)
	}
	return fit, nil
}

// linePoint is a point of a line: y, of standard uncertainty u, at x.
type linePoint struct{ x, y, u float64 }

// line is a straight line by least squares (GUM H.3). At bestX its height has the
// standard uncertainty u, which is not correlated with that of the slope.
type line struct {
	meanX, meanY, slope float64
	scatter             float64 // standard deviation of the points about the line; 0 for two
	bestX, u, slopeU    float64
}

func (l line) at(x float64) float64 { return l.meanY + float64(l.slope*(x-l.meanX)) }

// fitLine fits two or more points with equal weights. The uncertainty of a point
// is at least the scatter of all points. If all x are equal, the slope is NaN.
func fitLine(points []linePoint) line {
	var l line
	n := float64(len(points))
	for _, p := range points {
		l.meanX += p.x / n
		l.meanY += p.y / n
	}
	sxx, sxy := 0.0, 0.0
	for _, p := range points {
		sxx += float64((p.x - l.meanX) * (p.x - l.meanX))
		sxy += float64((p.x - l.meanX) * (p.y - l.meanY))
	}
	l.slope = sxy / sxx
	if n > 2 {
		rss := 0.0
		for _, p := range points {
			off := p.y - l.at(p.x)
			rss += float64(off * off)
		}
		l.scatter = math.Sqrt(rss / (n - 2))
	}
	// Height at meanX and slope are weighted sums of the points (GUM 5.1.2, 5.2.2).
	height2, slope2, both := 0.0, 0.0, 0.0
	for _, p := range points {
		u := math.Max(p.u, l.scatter)
		onHeight, onSlope := u/n, u*((p.x-l.meanX)/sxx)
		height2 += float64(onHeight * onHeight)
		slope2 += float64(onSlope * onSlope)
		both += float64(onHeight * onSlope)
	}
	l.slopeU = math.Sqrt(slope2)
	l.bestX, l.u = l.meanX, math.Sqrt(height2)
	if slope2 > 0 {
		l.bestX -= both / slope2
		l.u = math.Sqrt(math.Max(0, height2-float64(both*both)/slope2))
	}
	return l
}

// Limits of [PressureHPa] and [BoilingC], with which a probe is checked in boiling
// water.
const (
	minAltitudeM, maxAltitudeM = -500, 5000
	minHPa, maxHPa             = 500, 1100
)

// PressureHPa returns the pressure of the standard atmosphere in hPa at an
// altitude in metres (ISO 2533:1975). Weather changes the true pressure by some
// 10 hPa either way. The error is a [Refusal].
func PressureHPa(altitudeM float64) (hPa float64, err error) {
	if !(minAltitudeM <= altitudeM && altitudeM <= maxAltitudeM) {
		return 0, Outside("altitude_m", "", Span{Low: minAltitudeM, High: maxAltitudeM}, numberText(altitudeM)+" m")
	}
	const (
		seaLevelHPa, seaLevelK, lapseKM = 1013.25, 288.15, 0.0065
		exponent                        = 9.80665 / (287.05287 * lapseKM)
	)
	// The logarithm of t = T/T0 by its series in z = (t-1)/(t+1). Here |z| is below
	// 0.06 and the first omitted term below 1e-21.
	t := 1 - float64(lapseKM/seaLevelK*altitudeM)
	z := (t - 1) / (t + 1)
	sum := 0.0
	for n := 15.0; n >= 1; n -= 2 {
		sum = float64(sum*float64(z*z)) + 1/n
	}
	return seaLevelHPa * Exp(float64(exponent*float64(2*z))*sum), nil
}

// BoilingC returns the temperature in °C at which water boils under a pressure in
// hPa: IAPWS R7-97(2012), equation 31. The pressure is that of the place, not
// reduced to sea level. The error is a [Refusal].
func BoilingC(hPa float64) (celsius float64, err error) {
	if !(minHPa <= hPa && hPa <= maxHPa) {
		return 0, Outside("pressure_hpa", "", Span{Low: minHPa, High: maxHPa}, numberText(hPa)+" hPa")
	}
	return saturationK(hPa/1e4) - 273.15, nil
}

// saturationK is equation 31. It needs only square roots, which every processor
// rounds alike.
func saturationK(megapascal float64) float64 {
	const (
		n1, n2, n3, n4 = 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5
		n5, n6, n7, n8 = -0.32325550322333e7, 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6
		n9, n10        = -0.23855557567849, 0.65017534844798e3
	)
	beta2 := math.Sqrt(megapascal)
	beta := math.Sqrt(beta2)
	e := beta2 + float64(n3*beta) + n6
	f := float64(n1*beta2) + float64(n4*beta) + n7
	g := float64(n2*beta2) + float64(n5*beta) + n8
	d := 2 * g / (-f - math.Sqrt(float64(f*f)-float64(4*float64(e*g))))
	a := n10 + d
	return (a - math.Sqrt(float64(a*a)-float64(4*(n9+float64(n10*d))))) / 2
}
