package fillcalc

import "math"

const (
	// Probes are slower than scales, and fluid changes its temperature slowly: ten
	// seconds without a reading is still inside a degree.
	probeSilentNs = 10e9

	probeTauS     = 5.0  // smoothing of the shown temperature
	probeSlowTauS = 35.0 // the slower average, for the rate
)

// Probe is the fold's memory of the temperature probe.
type Probe struct {
	Sensor      string
	Calibration *ProbeCalibration
	Faults      Faults
	LastNs      int64 // last frame with a value; 0 when there was none yet
	FastC       float64
	SlowC       float64
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
		p.FastC, p.SlowC = celsius, celsius
	} else {
		dt := float64(e.AtNs-p.LastNs) / 1e9
		p.FastC += float64((celsius - p.FastC) * (dt / (dt + probeTauS)))
		p.SlowC += float64((celsius - p.SlowC) * (dt / (dt + probeSlowTauS)))
	}
	p.LastNs = e.AtNs
}

// fault says why the probe's temperature is not known at a time; empty when it
// is.
func (p *Probe) fault(nowNs int64) string {
	switch {
	case p.Sensor == "":
		return "no temperature probe is configured"
	case p.Faults.Hidden():
		return "probe " + p.Sensor + " reports a fault"
	case p.LastNs == 0:
		return "probe " + p.Sensor + " has sent no reading yet"
	case nowNs-p.LastNs > probeSilentNs:
		return "probe " + p.Sensor + " is silent"
	}
	return ""
}

// CaddyC is the temperature of the drained fluid, NaN when it is not known.
func (s *State) CaddyC() float64 {
	if s.CaddyProbe.fault(s.NowNs) != "" {
		return math.NaN()
	}
	return s.CaddyProbe.FastC
}

// rateCMin is the rate of change in °C a minute.
func (p *Probe) rateCMin() float64 {
	return 60 * ((p.FastC - p.SlowC) / (probeSlowTauS - probeTauS))
}
