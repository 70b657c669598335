package config

import (
	"time"

	"bayfill/fillcalc"
	"bayfill/sensors"
)

// TextAbout begins a text about a sensor of a cart: its name, and what it measures.
func (s *Sensor) TextAbout(key, cart string) fillcalc.Text {
	return fillcalc.Text{Key: key, Names: map[string]string{"sensor": s.Name, "cart": cart, "instrument": s.Role}}
}

// Trouble says what is wrong with a sensor of a cart and what to do about it. There is a
// sentence for each condition and cause.
func (s *Sensor) Trouble(cart string, status *sensors.Status) fillcalc.Text {
	t := s.TextAbout("alert.sensor_"+string(status.Condition), cart)
	if status.Cause != "" {
		t.Key += "_" + string(status.Cause)
	}
	t.Names["port"] = status.Port
	if status.Err != nil {
		t.Names["reason"] = status.Err.Error()
	}
	if a := status.Access; a != nil {
		t.Names["device"], t.Names["process"] = a.Device(), a.Process()
	}
	t.Names["at"] = time.Unix(0, status.SinceNs).UTC().Format(time.RFC3339)
	t.Figures = map[string]float64{"bytes": float64(status.Bytes), "damaged": float64(status.Damaged)}
	if status.Condition == sensors.Missing && status.Port == "" {
		t.Key = "alert.sensor_unplugged"
	}
	return t
}
