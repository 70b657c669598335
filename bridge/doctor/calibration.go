package doctor

import (
	"fmt"

	"bayfill/bridge/config"
	"bayfill/bridge/words"
)

// calibrations checks the newest calibration of each sensor of a cart.
func (d *doctor) calibrations(c *config.Config, cart *config.Cart) {
	for _, s := range cart.Sensors {
		all, warning, err := config.ReadCalibrations(c.CalibrationPath(cart.Name, s.Name))
		if err != nil {
			d.wrong("%v", err)
			continue
		}
		if warning != "" {
			d.look("calibrations: %s", warning)
		}
		var last *config.Calibration
		if len(all) > 0 {
			last = &all[len(all)-1]
		}
		text := fmt.Sprintf("calibration of %s/%s: %s", cart.Name, s.Name, words.Plain.Say(config.CalibrationState(last, d.now.UnixNano())))
		do := fmt.Sprintf("bayfill calibrate --cart %s --sensor %s", cart.Name, s.Name)
		switch {
		case last == nil || last.Passed() && d.now.UnixNano() > last.DueNs():
			d.look("%s: %s", text, do)
		case !last.Passed():
			d.wrong("%s: adjust, repair or replace it, then %s", text, do)
		default:
			d.ok("%s", text)
		}
	}
}
