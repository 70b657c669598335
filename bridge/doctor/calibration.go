package doctor

import (
	"bayfill/bridge/config"
	"bayfill/bridge/words"
)

// calibrations checks the newest calibration of each sensor of a cart.
func (d *doctor) calibrations(c *config.Config, cart *config.Cart) {
	for _, s := range cart.Sensors {
		all, warning, err := config.ReadCalibrations(c.CalibrationPath(cart.Name, s.Name))
		if err != nil {
			d.wrong("doctor.calibration_bad", "why", err)
			continue
		}
		if warning != nil {
			d.look("doctor.calibration_cut", "why", warning)
		}
		var last *config.Calibration
		if len(all) > 0 {
			last = &all[len(all)-1]
		}
		of := []any{"cart", cart.Name, "sensor", s.Name, "why", &words.Error{Text: config.CalibrationState(last, d.now.UnixNano())}}
		switch {
		case last == nil || last.Passed() && d.now.UnixNano() > last.DueNs():
			d.look("doctor.calibration_due", of...)
		case !last.Passed():
			d.wrong("doctor.calibration_failed", of...)
		default:
			d.ok("doctor.calibration_good", of...)
		}
	}
}
