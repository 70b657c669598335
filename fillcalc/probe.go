package fillcalc

import "math"

const (
	// A probe sends at least every second or two, and fluid changes its temperature
	// slowly; but nobody judges a level by a temperature older than this: two
	// readings of a probe that sends every five seconds.
	probeSilentNs = 10.5e9
	// A damaged frame or two between good ones hide nothing; an instrument that says
	// that it has no value is believed at once.
	probeDamagedNs = 3e9
	probeDamagedN  = 2
	maxC           = 1e4 // no probe shows this

	// How far a probe's lag may be off what is configured: a share of it, and never
	// less than some seconds (common practice, no source).
	lagShare = 0.3
	lagMinS  = 3.0

	// A warm-up of a gearbox is slower than this, and so is its cooling (common
	// practice, no source: some 5 °C a minute): what moves faster is no fluid.
	implausibleCMin = 30.0
	// How long a probe is not believed after it moved so.
	implausibleForNs = 10e9
	// A probe is stuck when it shows the same to the last digit while the fluid must
	// have moved by this much, or by so many times the scatter of its readings, at the
	// rate at which it moved last; and never before a minute. A coarse display stands
	// still for a while.
	stuckC       = 3.0
	stuckScatter = 30.0
	stuckMinS    = 60.0
	stuckMaxS    = 3600.0
)

// ProbeSetup is one temperature probe.
type ProbeSetup struct {
	Sensor string `json:"sensor"`
	// LagS is the time constant with which it follows a bath, in seconds.
	LagS float64 `json:"lag_s,omitempty"`
	// Calibration is the last one on record; nil when there is none.
	Calibration *ProbeCalibration `json:"calibration,omitempty"`
}

// Probe is the fold's memory of a temperature probe.
type Probe struct {
	ProbeSetup
	Faults   Faults
	DamagedN int     // frames without a value since the last one with one
	LastNs   int64   // last frame with a value; 0 when there was none yet
	LastC    float64 // its value, corrected
	EveryNs  int64   // between the last two
	SinceNs  int64   // the first one after the last hole
	WildNs   int64   // when it last moved faster than fluid can
	Trend    Trend
	// Since when it shows LastC, and for how long it can.
	SameNs   int64
	SameForS float64
}

func (p *Probe) read(e Event) {
	p.Faults = e.Faults
	if e.Faults.Hidden() || !(math.Abs(e.Value) < maxC) {
		p.DamagedN++
		if e.Faults&FaultSensor != 0 {
			p.LastNs = 0 // what comes next begins anew
		}
		return
	}
	p.DamagedN = 0
	celsius := e.Value
	if p.Calibration != nil {
		celsius = p.Calibration.Correct(celsius)
	}
	if p.LastNs == 0 || e.AtNs-p.LastNs > probeSilentNs {
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

// fault says why the probe's temperature is not known at a time; empty when it
// is.
func (p *Probe) fault(nowNs int64) string {
	switch {
	case p.Sensor == "":
		return "no temperature probe is configured"
	case p.Faults&FaultSensor != 0:
		return "probe " + p.Sensor + " reports a fault"
	case p.LastNs == 0 && p.Faults.Hidden():
		return "probe " + p.Sensor + " sends damaged frames"
	case p.LastNs == 0:
		return "probe " + p.Sensor + " has sent no reading yet"
	case p.DamagedN > probeDamagedN && nowNs-p.LastNs > probeDamagedNs:
		return "probe " + p.Sensor + " sends damaged frames"
	case nowNs-p.LastNs > probeSilentNs:
		return "probe " + p.Sensor + " is silent"
	case p.WildNs != 0 && nowNs-p.WildNs < implausibleForNs:
		return "probe " + p.Sensor + " moves faster than fluid can: is it in the fluid?"
	case p.LastC < -40 || p.LastC > 200:
		return "probe " + p.Sensor + " shows no temperature of a transmission"
	}
	return ""
}

// stuck tells whether the probe has shown one value for so long that no fluid
// that is on its way since a time can have had it.
func (p *Probe) stuck(sinceNs int64) bool {
	return float64(p.LastNs-max(p.SameNs, sinceNs))/1e9 > p.SameForS
}

// fluidNow is what a probe says of the fluid it stands in.
type fluidNow struct {
	celsius, rateCS   float64
	uCelsius, uRateCS float64 // standard, of the readings' scatter
	maxErrorC         float64 // no fluid is further off: scatter, lag and calibration
}

// fluid carries what the probe says on to a time. A probe follows a bath as
// dT/dt = (bath − T)/lag, so that the bath is T + lag·dT/dt.
func (p *Probe) fluid(atNs int64) fluidNow {
	now := p.Trend.now()
	aheadS := p.LagS + float64(atNs-p.LastNs)/1e9
	f := fluidNow{
		celsius: now.celsius + float64(aheadS*now.rateCS), rateCS: now.rateCS,
		uCelsius: math.Sqrt(max(0, now.varC+float64(2*p.LagS*now.both)+float64(p.LagS*p.LagS*now.varRate))),
		uRateCS:  math.Sqrt(now.varRate),
	}
	// A probe that nobody has calibrated is taken for one of IEC 60751 class B
	// (common practice, no source).
	calibrationC := 0.3 + float64(0.005*math.Abs(now.celsius))
	if p.Calibration != nil {
		calibrationC = 2 * p.Calibration.UAt(now.celsius)
	}
	// They are added and not squared: a wrong level costs more than a few seconds.
	f.maxErrorC = calibrationC + float64(2*f.uCelsius) + float64(math.Abs(now.rateCS)*max(lagMinS, lagShare*p.LagS))
	return f
}

// CaddyC is the temperature of the drained fluid, NaN when it is not known.
func (s *State) CaddyC() float64 {
	if s.CaddyProbe.fault(s.NowNs) != "" {
		return math.NaN()
	}
	return s.CaddyProbe.Trend.now().celsius
}
