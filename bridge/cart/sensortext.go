package cart

import (
	"slices"
	"time"

	"bayfill/bridge/config"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// sensorText says what is wrong with a sensor and what to do about it. There is a sentence
// for each condition and cause.
func (c *Cart) sensorText(sensor string, s *sensors.Status) fillcalc.Text {
	t := c.textAbout("alert.sensor_"+string(s.Condition), sensor)
	if s.Cause != "" {
		t.Key += "_" + string(s.Cause)
	}
	t.Names["port"] = s.Port
	if s.Err != nil {
		t.Names["reason"] = s.Err.Error()
	}
	if a := s.Access; a != nil {
		t.Names["device"], t.Names["process"] = a.Device(), a.Process()
	}
	t.Names["at"] = time.Unix(0, s.SinceNs).UTC().Format(time.RFC3339)
	t.Figures = map[string]float64{"bytes": float64(s.Bytes), "damaged": float64(s.Damaged)}
	if s.Condition == sensors.Missing && s.Port == "" {
		t.Key = "alert.sensor_unplugged"
	}
	return t
}

// textAbout begins a text about a sensor: its name, and what it measures.
func (c *Cart) textAbout(key, sensor string) fillcalc.Text {
	t := fillcalc.Text{Key: key, Names: map[string]string{"sensor": sensor, "cart": c.config.Name}}
	if i := slices.IndexFunc(c.config.Sensors, func(s config.Sensor) bool { return s.Name == sensor }); i >= 0 {
		t.Names["instrument"] = c.config.Sensors[i].Role
	}
	return t
}
