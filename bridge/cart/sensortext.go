package cart

import (
	"slices"

	"bayfill/bridge/config"
	"bayfill/fillcalc"
)

// sensor returns the configuration of a sensor of the cart.
func (c *Cart) sensor(name string) *config.Sensor {
	if i := slices.IndexFunc(c.config.Sensors, func(s config.Sensor) bool { return s.Name == name }); i >= 0 {
		return &c.config.Sensors[i]
	}
	return &config.Sensor{Name: name}
}

// textAbout begins a text about a sensor.
func (c *Cart) textAbout(key, sensor string) fillcalc.Text {
	return c.sensor(sensor).TextAbout(key, c.config.Name)
}
