package fillcalc

import "math"

const (
	// A probe sends at least every second or two, and fluid changes its temperature
	// slowly; but nobody judges a level by a temperature older than this.
	probeSilentNs = 10e9
	// Damaged frames between good ones hide nothing; an instrument that says that it
	// has no value is believed at once.
	probeDamagedNs = 3e9

	probeTauS     = 3.0  // smoothing of the shown temperature
	probeSlowTauS = 33.0 // the slower average, for the rate
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
	Faults  Faults
	LastNs  int64 // last frame with a value; 0 when there was none yet
	SinceNs int64 // the first one after the last hole
	WildNs  int64 // when it last moved faster than fluid can
	FastC   float64
	SlowC   float64
}

func (p *Probe) read(e Event) {
	p.Faults = e.Faults
	if e.Faults.Hidden() {
		return
	}
	celsius := e.Value
	if p.Calibration != nil {
		celsius = p.Calibration.Correct(celsius)
	}
	if p.LastNs == 0 || e.AtNs-p.LastNs > probeSilentNs {
		p.FastC, p.SlowC, p.SinceNs = celsius, celsius, e.AtNs
	} else {
		dt := float64(e.AtNs-p.LastNs) / 1e9
		// Noise of a degree is usual, a jump is another place than the fluid.
		if math.Abs(celsius-p.FastC) > 3+float64(implausibleCMin/60*(dt+probeTauS)) {
			p.FastC, p.SlowC, p.WildNs = celsius, celsius, e.AtNs
		}
		p.FastC += float64((celsius - p.FastC) * (dt / (dt + probeTauS)))
		p.SlowC += float64((celsius - p.SlowC) * (dt / (dt + probeSlowTauS)))
		if math.Abs(p.rateCMin()) > implausibleCMin {
			p.WildNs = e.AtNs
		}
	}
	p.LastNs = e.AtNs
}

// wildForNs is how long a probe is not believed after it moved as no fluid does.
const wildForNs = 10e9

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
	case p.Faults.Hidden() && nowNs-p.LastNs > probeDamagedNs:
		return "probe " + p.Sensor + " sends damaged frames"
	case nowNs-p.LastNs > probeSilentNs:
		return "probe " + p.Sensor + " is silent"
	case p.WildNs != 0 && nowNs-p.WildNs < wildForNs:
		return "probe " + p.Sensor + " moves faster than fluid can: is it in the fluid?"
	case p.FastC < -40 || p.FastC > 200:
		return "probe " + p.Sensor + " shows no temperature of a transmission"
	}
	return ""
}

// rateCMin is the rate of change in °C a minute.
func (p *Probe) rateCMin() float64 {
	return float64(60 * ((p.FastC - p.SlowC) / (probeSlowTauS - probeTauS)))
}

// fluidC is the temperature of what the probe stands in: on a steady ramp the
// shown one lags by the rate times both time constants.
func (p *Probe) fluidC() float64 {
	return p.FastC + float64(p.rateCMin()/60*(p.LagS+probeTauS))
}

// CaddyC is the temperature of the drained fluid, NaN when it is not known.
func (s *State) CaddyC() float64 {
	if s.CaddyProbe.fault(s.NowNs) != "" {
		return math.NaN()
	}
	return s.CaddyProbe.FastC
}
