package discovery

import (
	"encoding/json"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/wire"
)

// What the convention knows: the classes of a sensor with a unit of each
// (https://www.home-assistant.io/integrations/sensor/#device-class), and the topic
// {prefix}/{component}/{node}/{object}/config with names of letters, digits, - and _
// (https://www.home-assistant.io/integrations/mqtt/#discovery-topic).
var (
	classUnits = map[string]string{"volume_storage": "L mL", "volume_flow_rate": "L/min", "weight": "kg", "temperature": "°C", "duration": "s", "": "°C/min", "enum": "", "connectivity": ""}
	topicName  = regexp.MustCompile(`^homeassistant/(sensor|binary_sensor)/[a-zA-Z0-9_-]+/[a-zA-Z0-9_-]+/config$`)
	fieldOf    = regexp.MustCompile(`value_json\.([a-z_]+)`)
)

// Each announcement keeps to the convention, and names a field that the leaf has.
func TestAnnouncements(t *testing.T) {
	nan := wire.Number(math.NaN())
	leaves := map[string]any{"presence": wire.Presence{}, "volumes": wire.Volumes{DrainedL: nan}, "window": wire.Window{TempC: nan}}
	all := Announcements("homeassistant", "hilltop", "bay 2", "1.2.3")
	ids, names := map[string]bool{}, []string{}
	for _, m := range all {
		var f figure
		if err := json.Unmarshal(m.Payload, &f); err != nil {
			t.Fatalf("%s: %v", m.Topic, err)
		}
		if !topicName.MatchString(m.Topic) || !m.Retained || m.QoS != 1 {
			t.Errorf("%s, retained %v, QoS %d", m.Topic, m.Retained, m.QoS)
		}
		if ids[f.UniqueID] || slices.Contains(names, f.Name) {
			t.Errorf("%s: %q, %q used twice", m.Topic, f.UniqueID, f.Name)
		}
		ids[f.UniqueID], names = true, append(names, f.Name)
		if unit, known := classUnits[f.DeviceClass]; !known || !slices.Contains(strings.Split(unit, " "), f.UnitOfMeasurement) {
			t.Errorf("%s: class %q in %q", f.Name, f.DeviceClass, f.UnitOfMeasurement)
		}
		leaf, found := strings.CutPrefix(f.StateTopic, "bayfill/hilltop/bay 2/")
		var fields map[string]any
		json.Unmarshal(wire.Encode(leaves[leaf]), &fields)
		if _, has := fields[fieldOf.FindStringSubmatch(f.ValueTemplate)[1]]; !found || !has {
			t.Errorf("%s: %s of %s is not there", f.Name, f.ValueTemplate, f.StateTopic)
		}
		if f.DeviceClass == "enum" && len(f.Options) < 3 {
			t.Errorf("%s: options %q", f.Name, f.Options)
		}
	}
	for _, want := range []string{"online", "volumes drained", "volumes drained flow", "volumes drained weight", "volumes added", "volumes remaining", "volumes phase", "window state", "window temp", "window opens in"} {
		if !slices.Contains(names, want) {
			t.Errorf("no %q among %q", want, names)
		}
	}
	if slices.ContainsFunc(names, func(name string) bool { return strings.Contains(name, " u") && strings.HasSuffix(name, " u") }) {
		t.Errorf("uncertainties are announced: %q", names)
	}
}
