package calibrate

import (
	"fmt"
	"io"

	"bayfill/bridge/config"
)

// List prints the newest calibration of each sensor of the configuration, or only of
// the cart and the sensor that are named. nowNs, in nanoseconds since 1970 UTC,
// decides what is overdue.
func List(out io.Writer, conf *config.Config, cart, sensor string, nowNs int64) error {
	listed := false
	for _, c := range conf.Carts {
		for _, s := range c.Sensors {
			if cart != "" && cart != c.Name || sensor != "" && sensor != s.Name {
				continue
			}
			listed = true
			if err := listSensor(out, conf, c.Name, s.Name, nowNs); err != nil {
				return err
			}
		}
	}
	if !listed {
		return fmt.Errorf("--cart, --sensor: the configuration has no sensor %q on a cart %q", sensor, cart)
	}
	return nil
}

func listSensor(out io.Writer, conf *config.Config, cart, sensor string, nowNs int64) error {
	all, warning, err := config.ReadCalibrations(conf.CalibrationPath(cart, sensor))
	if err != nil {
		return err
	}
	var last *config.Calibration
	if len(all) > 0 {
		last = &all[len(all)-1]
	}
	fmt.Fprintf(out, "%s %s\n    %s\n", cart, sensor, config.CalibrationState(last, nowNs))
	if last != nil {
		fmt.Fprintf(out, "    by %s, the last of %d", last.By, len(all))
		if last.Equipment != "" {
			fmt.Fprintf(out, "; %s", last.Equipment)
		}
		fmt.Fprintln(out)
	}
	if warning != "" {
		fmt.Fprintf(out, "    %s\n", warning)
	}
	return nil
}
