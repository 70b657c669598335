package fillcalc

import "math"

const (
	// A temperature older than this is not known. Probes usually send every second or
	// two; this is two readings of one that sends every five seconds.
	ProbeSilentNs = 10.5e9
	// A temperature is not known after more than this many damaged frames over more
	// than this time. An instrument that reports that it has no value is believed at
	// once.
	probeDamagedNs = 3e9
	probeDamagedN  = 2
	maxC           = 1e4 // above what any probe shows

	// How far a probe's lag may be off the configured one: a share of it, but at least
	// this many seconds (common practice, no source).
	lagShare = 0.3
	lagMinS  = 3.0

	// Fluid in a gearbox warms and cools more slowly than this (common practice, no
	// source: some 5 °C a minute). A probe that moves faster is not in the fluid.
	implausibleCMin = 30.0
	// How long a probe is not trusted after it moved so fast.
	implausibleForNs = 10e9
	// A probe is stuck if it shows the same figure to the last digit for so long that,
	// at its last rate, the fluid must have moved by stuckC or by stuckScatter times
	// the scatter of its readings. A coarse display may stand still for a while, so
	// that this takes at least a minute.
	stuckC       = 3.0
	stuckScatter = 30.0
	stuckMinS    = 60.0
	stuckMaxS    = 3600.0
)

// ProbeSetup describes one temperature probe.
type ProbeSetup struct {
	Sensor string `json:"sensor"`
	// LagS is the time constant in seconds with which it follows a bath.
	LagS float64 `json:"lag_s,omitempty"`
	// Calibration is the latest one; nil if there is none.
	Calibration *ProbeCalibration `json:"calibration,omitempty"`
}

// Probe is the fold's memory of a temperature probe.
type Probe struct {
	ProbeSetup
	Faults   Faults
	DamagedN int     // frames without a value since the last frame with a value
	LastNs   int64   // last frame with a value; 0 if there was none yet
	LastC    float64 // its value, corrected
	EveryNs  int64   // interval of the last two such frames
	SinceNs  int64   // the first such frame after the last gap
	WildNs   int64   // when it last moved faster than fluid can
	Trend    Trend
	// Since when it shows LastC, and how long it can do so before it counts as stuck.
	SameNs   int64
	SameForS float64
}

func (p *Probe) read(e Event) {
	p.Faults = e.Faults
	if e.Faults.Hidden() || !(math.Abs(e.Value) < maxC) {
		p.DamagedN++
		if e.Faults&FaultSensor != 0 {
			p.LastNs = 0 // the next value starts a new trend
		}
		return
	}
	p.DamagedN = 0
	celsius := e.Value
	if p.Calibration != nil {
		celsius = p.Calibration.Correct(celsius)
	}
	if p.LastNs == 0 || e.AtNs-p.LastNs > ProbeSilentNs {
		p.Trend, p.SinceNs = Trend{Variance: p.Trend.Variance}, e.AtNs
		p.Trend.add(0, celsius)
	} else {
		p.EveryNs = e.AtNs - p.LastNs
		dtS := float64(p.EveryNs) / 1e9
		p.Trend.add(dtS, celsius)
	}
	now := p.Trend.now()
	if math.Abs(now.rateCS) > implausibleCMin/60+float64(2*math.Sqrt(now.varRate)) {
		p.Trend, p.WildNs = Trend{Variance: p.Trend.Variance}, e.AtNs
		p.Trend.add(0, celsius)
	}
	if celsius != p.LastC || p.SinceNs == e.AtNs {
		couldC := max(stuckC, stuckScatter*math.Sqrt(p.Trend.Variance))
		p.SameNs, p.SameForS = e.AtNs, min(max(stuckMinS, couldC/math.Abs(now.rateCS)), stuckMaxS)
	}
	p.LastNs, p.LastC = e.AtNs, celsius
}

// quality says whether the probe's temperature is known at a time.
func (p *Probe) quality(nowNs int64) Quality {
	code := QualityGood
	switch {
	case p.Sensor == "":
		return Quality{Code: QualityNoProbe}
	case p.Faults&FaultSensor != 0:
		code = QualityFault
	case p.LastNs == 0 && p.Faults.Hidden():
		code = QualityDamaged
	case p.LastNs == 0:
		code = QualityNoReading
	case p.DamagedN > probeDamagedN && nowNs-p.LastNs > probeDamagedNs:
		code = QualityDamaged
	case nowNs-p.LastNs > ProbeSilentNs:
		code = QualitySilent
	case p.WildNs != 0 && nowNs-p.WildNs < implausibleForNs:
		code = QualityTooFast
	case p.LastC < -40 || p.LastC > 200:
		code = QualityOutOfRange
	}
	return aboutProbe(code, p.Sensor)
}

// stuck reports whether the probe has shown one value for longer than fluid can
// have it that warms or cools since sinceNs.
func (p *Probe) stuck(sinceNs int64) bool {
	return float64(p.LastNs-max(p.SameNs, sinceNs))/1e9 > p.SameForS
}

// fluidNow is what a probe says about the fluid around it.
type fluidNow struct {
	celsius, rateCS   float64
	uCelsius, uRateCS float64 // standard uncertainties from the readings' scatter
	maxErrorC         float64 // limit of the error of celsius from scatter, lag and calibration
}

// fluid extrapolates the probe's trend to a time and corrects its lag: a probe
// follows a bath as dT/dt = (bath − T)/lag, so that the bath is T + lag·dT/dt.
func (p *Probe) fluid(atNs int64) fluidNow {
	now := p.Trend.now()
	aheadS := p.LagS + float64(atNs-p.LastNs)/1e9
	f := fluidNow{
		celsius: now.celsius + float64(aheadS*now.rateCS), rateCS: now.rateCS,
		uCelsius: math.Sqrt(max(0, now.varC+float64(2*p.LagS*now.both)+float64(p.LagS*p.LagS*now.varRate))),
		uRateCS:  math.Sqrt(now.varRate),
	}
	// Without a calibration the probe is assumed to be within IEC 60751 class B
	// (common practice, no source).
	calibrationC := 0.3 + float64(0.005*math.Abs(now.celsius))
	if p.Calibration != nil {
		calibrationC = 2 * p.Calibration.UAt(now.celsius)
	}
	// Added, not in quadrature: a wrong level costs more than a few seconds.
	f.maxErrorC = calibrationC + float64(2*f.uCelsius) + float64(math.Abs(now.rateCS)*max(lagMinS, lagShare*p.LagS))
	return f
}

// CaddyC returns the temperature of the drained fluid in °C; NaN if it is not
// known.
func (s *State) CaddyC() float64 {
	if !s.CaddyProbe.quality(s.NowNs).Good() {
		return math.NaN()
	}
	return s.CaddyProbe.Trend.now().celsius
}
