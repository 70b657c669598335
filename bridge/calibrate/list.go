package calibrate

import (
	"errors"
	"fmt"
	"io"

	"bayfill/bridge/config"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// List prints the newest calibration of each sensor of the configuration, or only of
// the cart and the sensor that are named. nowNs, in nanoseconds since 1970 UTC,
// decides what is overdue. A warning of an incomplete file is in English.
func List(out io.Writer, conf *config.Config, cart, sensor string, nowNs int64, r words.Reader) error {
	listed := false
	for _, c := range conf.Carts {
		for _, s := range c.Sensors {
			if cart != "" && cart != c.Name || sensor != "" && sensor != s.Name {
				continue
			}
			listed = true
			if err := listSensor(out, conf, c.Name, s.Name, nowNs, r); err != nil {
				return err
			}
		}
	}
	if !listed {
		return errors.New("--cart, --sensor: " + r.Say(fillcalc.Text{Key: "calibrate.no_sensor", Names: names{"sensor": sensor, "cart": cart}}))
	}
	return nil
}

func listSensor(out io.Writer, conf *config.Config, cart, sensor string, nowNs int64, r words.Reader) error {
	all, warning, err := config.ReadCalibrations(conf.CalibrationPath(cart, sensor))
	if err != nil {
		return err
	}
	var last *config.Calibration
	if len(all) > 0 {
		last = &all[len(all)-1]
	}
	fmt.Fprintf(out, "%s %s\n    %s\n", cart, sensor, r.Say(config.CalibrationState(last, nowNs)))
	if last != nil {
		fmt.Fprint(out, "    ", r.Say(fillcalc.Text{Key: "calibrate.last_by", Figures: figures{"count": float64(len(all))}, Names: names{"by": last.By}}))
		if last.Equipment != "" {
			fmt.Fprintf(out, "; %s", last.Equipment)
		}
		fmt.Fprintln(out)
	}
	if warning != nil {
		fmt.Fprintf(out, "    %s\n", r.Fault(warning))
	}
	return nil
}
