// Package discovery announces a cart's figures in the open convention by which home and
// building automation finds MQTT devices by itself: one retained message for each figure on
// {prefix}/{component}/{device}/{figure}/config says under which topic and in which field of
// its JSON the figure comes, and in which unit
// (https://www.home-assistant.io/integrations/mqtt/#mqtt-discovery).
//
// Which figures there are, and their units, is read from the published schemas, so that an
// announcement cannot differ from the contract. What it announces is to be watched only: no
// command is announced.
package discovery

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/bridge/wire/schema"
)

// device is what all figures of a cart belong to.
type device struct {
	Identifiers []string `json:"identifiers"`
	Name        string   `json:"name"`
	SwVersion   string   `json:"sw_version"`
}

// origin is the program that announces.
type origin struct {
	Name      string `json:"name"`
	SwVersion string `json:"sw_version"`
}

// figure is one announcement.
type figure struct {
	Name                 string   `json:"name"`
	UniqueID             string   `json:"unique_id"`
	StateTopic           string   `json:"state_topic"`
	ValueTemplate        string   `json:"value_template"`
	DeviceClass          string   `json:"device_class,omitempty"`
	UnitOfMeasurement    string   `json:"unit_of_measurement,omitempty"`
	StateClass           string   `json:"state_class,omitempty"`
	Options              []string `json:"options,omitempty"`
	JSONAttributesTopic  string   `json:"json_attributes_topic,omitempty"`
	AvailabilityTopic    string   `json:"availability_topic,omitempty"`
	AvailabilityTemplate string   `json:"availability_template,omitempty"`
	PayloadOn            string   `json:"payload_on,omitempty"`
	PayloadOff           string   `json:"payload_off,omitempty"`
	Device               device   `json:"device"`
	Origin               origin   `json:"origin"`
}

// units maps how the name of a field ends to its unit and to the convention's class, the
// longer ends first. word is added to the name where several figures are about one thing.
var units = []struct{ end, unit, class, word string }{
	{"_l_min", "L/min", "volume_flow_rate", " flow"},
	{"_c_min", "°C/min", "", " of temperature"},
	{"_ml", "mL", "volume_storage", ""},
	{"_kg", "kg", "weight", " weight"},
	{"_l", "L", "volume_storage", ""},
	{"_c", "°C", "temperature", ""},
	{"_s", "s", "duration", ""},
}

// Announcements returns the retained messages of a cart, in the order of the schemas. version is
// that of the program.
func Announcements(prefix, shop, cart, version string) []mqtt.Message {
	node := "bayfill_" + plain(shop) + "_" + plain(cart)
	topic := func(leaf wire.Leaf) string { return "bayfill/" + shop + "/" + cart + "/" + string(leaf) }
	var all []mqtt.Message
	add := func(component, id string, f figure) {
		f.UniqueID = node + "_" + id
		f.Device = device{[]string{node}, shop + " " + cart, version}
		f.Origin = origin{"bayfill", version}
		all = append(all, mqtt.Message{Topic: prefix + "/" + component + "/" + node + "/" + id + "/config", Payload: wire.Encode(f), QoS: 1, Retained: true})
	}
	add("binary_sensor", "presence", figure{Name: "online", DeviceClass: "connectivity", StateTopic: topic(wire.PresenceLeaf),
		ValueTemplate: "{{ 'on' if value_json.online else 'off' }}", PayloadOn: "on", PayloadOff: "off"})
	for _, leaf := range []wire.Leaf{wire.VolumesLeaf, wire.WindowLeaf} {
		for _, p := range properties(leaf) {
			f, ok := p.figure()
			if !ok {
				continue
			}
			f.Name = string(leaf) + " " + f.Name
			f.StateTopic, f.JSONAttributesTopic = topic(leaf), topic(leaf)
			f.AvailabilityTopic, f.AvailabilityTemplate = topic(wire.PresenceLeaf), "{{ 'online' if value_json.online else 'offline' }}"
			add("sensor", string(leaf)+"_"+p.name, f)
		}
	}
	return all
}

// plain is a name as the convention allows it in a topic.
func plain(name string) string {
	return regexp.MustCompile(`[^A-Za-z0-9_-]`).ReplaceAllString(name, "_")
}

// property is a field of a leaf.
type property struct {
	name    string
	numeric bool
	choices []string
}

// figure returns how a property is announced; false if it is not.
func (p *property) figure() (f figure, ok bool) {
	f.ValueTemplate = "{{ value_json." + p.name + " }}"
	if p.choices != nil {
		f.Name, f.DeviceClass, f.Options = strings.ReplaceAll(p.name, "_", " "), "enum", p.choices
		return f, true
	}
	// An uncertainty is an attribute of its figure.
	if !p.numeric || strings.Contains(p.name, "_u_") {
		return f, false
	}
	for _, u := range units {
		if stem, found := strings.CutSuffix(p.name, u.end); found {
			f.Name = strings.ReplaceAll(stem, "_", " ") + u.word
			f.UnitOfMeasurement, f.DeviceClass, f.StateClass = u.unit, u.class, "measurement"
			return f, true
		}
	}
	return f, false
}

// properties lists the fields of a leaf in the order of its schema.
func properties(leaf wire.Leaf) []property {
	text, err := schema.File(string(leaf) + ".json")
	if err != nil {
		panic("discovery: " + err.Error()) // the files are part of the program
	}
	type field struct {
		Type json.RawMessage `json:"type"`
		Ref  string          `json:"$ref"`
		Enum []string        `json:"enum"`
	}
	var s struct {
		Required   []string         `json:"required"`
		Properties map[string]field `json:"properties"`
		Defs       map[string]field `json:"$defs"`
	}
	if err := json.Unmarshal(text, &s); err != nil {
		panic(fmt.Sprintf("discovery: %s.json: %v", leaf, err))
	}
	var all []property
	for _, name := range s.Required {
		f := s.Properties[name]
		p := property{name: name, numeric: strings.Contains(string(f.Type), `"number"`)}
		if def, found := strings.CutPrefix(f.Ref, "#/$defs/"); found {
			p.choices = s.Defs[def].Enum
		}
		all = append(all, p)
	}
	return all
}
